"""The technician's monitor page and its API. Shell (aiohttp)."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hmac
import logging
import math
import time
from collections.abc import Awaitable, Callable, Collection, Mapping
from importlib import resources
from typing import Any
from urllib.parse import urlsplit

import orjson
from aiohttp import web

from aggregator.monitor.api import HISTORY_HZ, History, MonitorStatus, header, live_message, plan_message
from aggregator.monitor.doorkeeper import Doorkeeper, answers_to
from aggregator.outputs.feed_layout import encode_linkage
from aggregator.outputs.newest import Newest, ReaderCounts, serve_newest
from aggregator.part_change import PartUnfinished
from aggregator.snapshot import Snapshot
from relay.parts import PARTS
from relay.seat_plan import SeatPlan

log = logging.getLogger(__name__)

LIVE_S = 1 / HISTORY_HZ  # the page is told four times a second
STALE_S = 2.0  # no snapshot for this long: the page greys and /health says so
MAX_BODY_BYTES = 1024  # {"part": "interval"} and room to spare
CLOSE_S = 1.0  # how long open pages may take to say goodbye

PAGE = {
    "index.html": "text/html",
    "style.css": "text/css",
    "main.js": "text/javascript",
    "live.js": "text/javascript",
    "ramp.js": "text/javascript",
    "timeline.js": "text/javascript",
    "seatmap.js": "text/javascript",
    "panels.js": "text/javascript",
    "parts.js": "text/javascript",
}
SECURITY_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class MonitorError(OSError):
    """The page cannot be served: one sentence that says what was found and what to do."""


class Monitor:
    """The page, fed by ``update``.

    ``operator_token``: what ``POST /api/part`` asks for; "" means that nobody can change the part here. ``on_part``
    is awaited with the part's name; when it raises, the page says that the change was not accepted. ``routes`` are
    further paths on the same port, such as the feed's. ``names``: those that the page answers to beside addresses,
    where it does not listen on loopback (none: any). ``clock`` is a steady clock in seconds.
    """

    def __init__(
        self,
        plan: SeatPlan,
        *,
        title: str = "House",
        operator_token: str = "",
        on_part: Callable[[str], Awaitable[None]] | None = None,
        routes: Mapping[str, Handler] | None = None,
        max_pages: int = 32,
        names: Collection[str] = (),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._plan = plan_message(plan, title)
        self._token = operator_token
        self._on_part = on_part
        self._clock = clock
        self._routes = dict(routes or {})
        self._live: Newest[bytes] = Newest()
        self.pages = ReaderCounts(max_pages)
        self._history = History()
        self._snapshot: Snapshot | None = None
        self._status = MonitorStatus()
        self._came_s = 0.0
        self._shown: tuple[int, int] | None = None
        self._runner: web.AppRunner | None = None
        self._pump: asyncio.Task[None] | None = None
        self._door = Doorkeeper()
        self._host, self._names = "", tuple(names)

    async def start(self, host: str = "127.0.0.1", port: int = 8080) -> int:
        """Serve the page; returns the port (useful with 0).

        Raises:
            MonitorError: the port is taken, may not be used, or the address is not this machine's.
        """
        self._host = host
        self._runner = web.AppRunner(self._app(), access_log=None, shutdown_timeout=CLOSE_S)
        await self._runner.setup()
        try:
            site = web.TCPSite(self._runner, host, port)
            await site.start()
        except (OSError, OverflowError) as error:
            await self._runner.cleanup()
            self._runner = None
            raise MonitorError(_why(error, host, port)) from None
        self._pump = asyncio.create_task(self._keep_telling())
        return int(self._runner.addresses[0][1])

    def update(self, snapshot: Snapshot, status: MonitorStatus) -> None:
        """Take the newest snapshot and the service's own words; shown with the next live message."""
        self._snapshot, self._status = snapshot, status
        self._came_s = self._clock()

    def update_status(self, status: MonitorStatus) -> None:
        """Take the service's own words alone, when there is no new snapshot."""
        self._status = status

    async def close(self) -> None:
        """Stop serving; idempotent."""
        if self._pump is not None:
            self._pump.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._pump
            self._pump = None
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None

    def tell(self) -> None:
        """Publish one live message to all open pages: the seats with a new snapshot, else only how old it is."""
        snapshot = self._snapshot
        said = self._header()
        fresh = snapshot is not None and (snapshot.epoch, snapshot.sequence) != self._shown
        if snapshot is not None and fresh:
            self._shown = (snapshot.epoch, snapshot.sequence)
            self._history.add(snapshot, self._status)
        said["labels"] = self._history.latest_labels()
        self._live.publish(live_message(said, snapshot))

    async def _keep_telling(self) -> None:
        while True:
            self.tell()
            await asyncio.sleep(LIVE_S)

    def _age_s(self) -> float | None:
        return None if self._snapshot is None else self._clock() - self._came_s

    def _header(self) -> dict[str, Any]:
        age_s = self._age_s()
        return header(self._snapshot, self._status, None if age_s is None else round(1000 * age_s))

    def _app(self) -> web.Application:
        app = web.Application(client_max_size=MAX_BODY_BYTES, middlewares=[self._named])
        app.on_response_prepare.append(_secure)
        files = resources.files("aggregator.monitor") / "page"
        for name, kind in PAGE.items():
            path = "/" if name == "index.html" else f"/{name}"
            app.router.add_get(path, _file((files / name).read_bytes(), kind))
        app.router.add_get("/health", self._health)
        app.router.add_get("/api/plan", _file(self._plan, "application/json"))
        app.router.add_get("/api/state", self._state)
        app.router.add_get("/api/linkage", self._linkage)
        app.router.add_get("/api/live", self._live_socket)
        app.router.add_post("/api/part", self._part)
        for path, handler in self._routes.items():
            app.router.add_get(path, handler)
        return app

    @web.middleware
    async def _named(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        if not answers_to(request.host, self._host, self._names):
            self.pages.refused += 1
            return web.Response(status=421, text="This page answers to its own names only (monitor.names).\n")
        return await handler(request)

    async def _health(self, _: web.Request) -> web.Response:
        age_s = self._age_s()
        fresh = age_s is not None and age_s <= STALE_S
        return web.json_response({"fresh": fresh, "age_s": age_s}, status=200 if fresh else 503)

    async def _state(self, _: web.Request) -> web.Response:
        said = {"now": self._header(), "history": list(self._history.rows), "labels": list(self._history.labels)}
        return web.Response(body=orjson.dumps(said), content_type="application/json")

    async def _linkage(self, _: web.Request) -> web.Response:
        response = web.Response(body=encode_linkage(self._snapshot), content_type="application/json")
        response.enable_compression()
        return response

    async def _live_socket(self, request: web.Request) -> web.StreamResponse:
        origin = request.headers.get("Origin", "")
        if origin and urlsplit(origin).netloc != request.host:
            self.pages.refused += 1
            return web.Response(status=403, text="Only this page itself may read its values.\n")
        if self.pages.readers >= self.pages.bound:
            self.pages.refused += 1
            return web.Response(status=503, text=f"All {self.pages.bound} places for pages are taken.\n")
        return await serve_newest(request, self._live, self.pages)

    async def _part(self, request: web.Request) -> web.Response:
        if not self._token or self._on_part is None:
            return _said(403, "The part cannot be changed from this page: no operator key is set.")
        address, now_s = request.remote or "", self._clock()
        if (wait_s := self._door.wait_s(address, now_s)) > 0.0:
            return _said(429, f"Too many wrong operator keys: try again in {math.ceil(wait_s)} s.")
        shown = request.headers.get("Authorization", "").removeprefix("Bearer ")
        if not hmac.compare_digest(shown.encode(errors="replace"), self._token.encode()):
            self._door.wrong(address, now_s)
            return _said(401, "Wrong operator key.")
        self._door.right(address)
        try:
            part = orjson.loads(await request.read())["part"]
        except (ValueError, TypeError, KeyError):
            return _said(400, 'The body must be {"part": NAME}.')
        if not isinstance(part, str) or part not in PARTS:
            return _said(400, f"No such part: allowed are {', '.join(PARTS)}.")
        try:
            await self._on_part(part)
        except PartUnfinished as error:
            return _said(202, str(error))
        except Exception:
            log.exception("the part %s was asked for on the page", part)
            return _said(503, "Not accepted: the service could not write the change. Try again.")
        return _said(200, f"Part: {part}.")


def _said(status: int, text: str) -> web.Response:
    return web.json_response({"said": text}, status=status)


def _file(body: bytes, kind: str) -> Handler:
    async def answer(_: web.Request) -> web.Response:
        response = web.Response(body=body, content_type=kind, charset="utf-8")
        if kind == "application/json":
            response.enable_compression()
        return response

    return answer


async def _secure(_: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(SECURITY_HEADERS)


def _why(error: OSError | OverflowError, host: str, port: int) -> str:
    code = getattr(error, "errno", None)
    if code == errno.EADDRINUSE:
        return f"port {port} on {host} is in use: stop what uses it, or choose another with --port"
    if code in (errno.EACCES, errno.EPERM):
        return f"port {port} may not be opened by this user: choose one above 1023 with --port"
    if code == errno.EADDRNOTAVAIL:
        return f"{host} is no address of this machine: choose one of its own, or 127.0.0.1"
    return f"the monitor page cannot listen on {host}:{port} ({error}): check the address and the port"

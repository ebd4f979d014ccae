"""The page for one real phone, served for as long as ``ripieno check --phone`` runs. Shell (aiohttp)."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import ssl
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from hashlib import blake2b
from importlib import resources

from aiohttp import web

from loadtest.check_causes import CAUSES, PhoneResult, read

PATH = "/phone-check"
PAGE = {
    "": ("index.html", "text/html"),
    "/style.css": ("style.css", "text/css"),
    "/main.js": ("main.js", "text/javascript"),
    "/causes.js": ("causes.js", "text/javascript"),
    "/visit.js": ("visit.js", "text/javascript"),
    "/reach.js": ("reach.js", "text/javascript"),
}
MAX_BODY_BYTES = 1024
CLOSE_S = 1.0

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(frozen=True, slots=True)
class Where:
    """Where phones connect: ``host`` "" is the host of the page's own address. ``addresses``: what the host resolves
    to here, for telling an unknown name from a missing way. ``certificate``: why a client would refuse it, or ""."""

    tls: bool
    host: str
    port: int
    path: str
    addresses: tuple[str, ...] = ()
    certificate: str = ""


@dataclass
class PhoneCheck:
    """``await start(...)``, then phones may come; ``on_result`` is told of each that ended; ``await close()``.

    ``hosts`` are all names and addresses that the page may be opened by: the security policy names them.
    """

    where: Where
    token: str
    hosts: tuple[str, ...]
    on_result: Callable[[PhoneResult], None]
    port: int = 0
    _runner: web.AppRunner | None = None
    _key: bytes = field(default_factory=lambda: secrets.token_bytes(16))

    async def start(self, host: str, port: int, tls: ssl.SSLContext | None = None) -> None:
        """Serve. Raises OSError when the address cannot be bound."""
        self._runner = web.AppRunner(self._app(), access_log=None, shutdown_timeout=CLOSE_S)
        await self._runner.setup()
        try:
            await web.TCPSite(self._runner, host, port, ssl_context=tls).start()
        except OSError:
            await self.close()
            raise
        self.port = int(self._runner.addresses[0][1])

    async def close(self) -> None:
        """Stop serving; idempotent."""
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None

    def policy(self) -> str:
        """The content security policy: own files, and connections to the relay alone."""
        secure = "s" if self.where.tls else ""
        hosts = (self.where.host, *self.where.addresses) if self.where.host else self.hosts
        named = [h for h in hosts if ":" not in h]  # the grammar of policies knows no IPv6 literals
        relay = " ".join(f"ws{secure}://{h}:{self.where.port} http{secure}://{h}:{self.where.port}" for h in named)
        return (
            f"default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self' {relay}; "
            "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )

    def _app(self) -> web.Application:
        app = web.Application(client_max_size=MAX_BODY_BYTES)
        app.on_response_prepare.append(self._secure)
        files = resources.files("loadtest") / "phone_page"
        for path, (name, kind) in PAGE.items():
            app.router.add_get(PATH + path, _file((files / name).read_bytes(), kind))
        app.router.add_get(f"{PATH}/config", self._config)
        app.router.add_get(f"{PATH}/where", self._where)
        app.router.add_post(f"{PATH}/result", self._result)
        return app

    async def _secure(self, _: web.Request, response: web.StreamResponse) -> None:
        response.headers.update(
            {
                "Content-Security-Policy": self.policy(),
                "X-Content-Type-Options": "nosniff",
                "Referrer-Policy": "no-referrer",
                "Cache-Control": "no-store",
            }
        )

    async def _config(self, _: web.Request) -> web.Response:
        w = self.where
        relay = {"tls": w.tls, "host": w.host, "port": w.port, "path": w.path}
        causes = {key: {"what": what, "todo": do} for key, (what, do) in CAUSES.items()}
        return web.json_response(
            {"relay": relay, "addresses": w.addresses, "certificate": w.certificate, "causes": causes}
        )

    async def _where(self, request: web.Request) -> web.Response:
        """Which network the phone comes from, as a digest that means nothing outside this run."""
        digest = blake2b((request.remote or "").encode(), key=self._key, digest_size=6).hexdigest()
        return web.json_response({"where": digest})

    async def _result(self, request: web.Request) -> web.Response:
        shown = request.headers.get("Authorization", "").removeprefix("Bearer ")
        if not hmac.compare_digest(shown.encode(errors="replace"), self.token.encode()):
            return web.Response(status=401)
        try:
            body = await request.json()
            result = read(body if isinstance(body, dict) else {})
        except ValueError:
            return web.Response(status=400)
        self.on_result(result)
        return web.Response(status=204)


def page_hosts(addresses: list[str], name: str) -> tuple[str, ...]:
    """Names and IPv4 addresses that the page may be opened by, ordinary addresses before this machine's own."""
    usable = [a for a in addresses if ipaddress.ip_address(a).version == 4]
    usable.sort(key=lambda a: ipaddress.ip_address(a).is_loopback)
    return (*dict.fromkeys(usable), "localhost", *([name] if name and "." in name else []))


def _file(body: bytes, kind: str) -> Handler:
    async def answer(_: web.Request) -> web.Response:
        return web.Response(body=body, content_type=kind, charset="utf-8")

    return answer

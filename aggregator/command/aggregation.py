"""One aggregator put together: engine, merger, outputs, page and the service that drives them."""

from __future__ import annotations

import asyncio
import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import PackageNotFoundError, version

from aiohttp import web

from aggregator.command import files
from aggregator.command.errors import UserError
from aggregator.command.settings import Settings
from aggregator.engine import MAX_PENDING_BYTES, Engine, EngineSettings
from aggregator.leadership import Leadership
from aggregator.merger import Merger
from aggregator.metrics import exposition
from aggregator.monitor.api import MonitorStatus, OutputStatus, QueueStatus
from aggregator.monitor.server import Monitor, MonitorError
from aggregator.outputs.feed import Feed, FeedSettings
from aggregator.outputs.osc import OscSettings, ServiceState
from aggregator.outputs.osc_sender import HOLD_AFTER_S, OscSender, OscTargetError, parse_target
from aggregator.service import Service, ServiceSettings, Sink
from aggregator.snapshot import Snapshot
from relay.bus import Bus
from relay.seat_plan import SeatPlan

log = logging.getLogger(__name__)

MARKERS_KEPT = 64  # as many labels as the page's line shows
Queues = Callable[[], tuple[QueueStatus, ...]]


@dataclass
class Aggregation:
    """A running aggregator; made by :func:`open_aggregation`."""

    bus: Bus
    service: Service
    monitor: Monitor
    feed: Feed
    osc: OscSender
    page_url: str
    running: asyncio.Task[None]
    notices: tuple[str, ...] = ()
    more_queues: Queues = tuple
    markers: deque[tuple[int, str]] = field(default_factory=lambda: deque(maxlen=MARKERS_KEPT))

    async def set_part(self, name: str) -> None:
        """Move the evening to a part of relay.parts (every follower of the bus sees it)."""
        await self.service.set_part(name)
        log.info("part: %s", name)

    async def mark(self, label: str) -> None:
        """Name this moment."""
        await self.service.mark(label)
        self.markers.append((await self.bus.now_ms(), label))

    async def close(self, *, keep: bool = True) -> None:
        """The last tick and checkpoint (not without ``keep``), then the page, the outputs and the bus."""
        if keep:
            self.service.stop()
        else:
            self.service.give_up()
        await asyncio.gather(self.running, return_exceptions=True)
        await self.monitor.close()
        self.osc.close()
        await self.bus.close()

    def status(self, now_s: float, role: str) -> MonitorStatus:
        """What the page shows beside the snapshot: outputs, every queue with its bound, notices."""
        return MonitorStatus(
            version=_version(),
            role=role,
            state=self._state(now_s, role),
            outputs=tuple(OutputStatus.of(s) for s in self.osc.statistics(now_s)),
            queues=(*self.more_queues(), *self._queues(), *self._readers()),
            markers=tuple(self.markers),
            notices=(*self.notices, self.service.parts.notice) if self.service.parts.notice else self.notices,
        )

    def failing_targets(self) -> int:
        """Open Sound Control targets with a failure in the last seconds."""
        return sum(bool(s.last_error) for s in self.osc.statistics(time.monotonic()))

    def _state(self, now_s: float, role: str) -> ServiceState:
        """What the outputs say; a spare's are silent by design, so its page tells whether it keeps up."""
        if self.service.last is None:
            return ServiceState.STARTING
        if role == "lead":
            return self.osc.state_at(now_s)
        return ServiceState.RUNNING if now_s - self.service.last_s <= HOLD_AFTER_S else ServiceState.HOLDING

    def _readers(self) -> tuple[QueueStatus, ...]:
        readers = {"page": self.monitor.pages, **{f"feed, {k}": c for k, c in self.feed.counts.items()}}
        return tuple(QueueStatus.of_readers(name, counts) for name, counts in readers.items())

    def _queues(self) -> tuple[QueueStatus, ...]:
        bus, counters = self.bus.statistics(), self.service.engine.all_counters()
        pending, refused = counters["pending_bytes"], counters["entries_refused"]
        return (
            QueueStatus("bus: not yet trimmed", bus.bytes, bus.bound_bytes, "bytes", "stops accepting", bus.refused),
            QueueStatus("engine: read ahead", pending, MAX_PENDING_BYTES, "bytes", "refuses the newest", refused),
        )


async def open_aggregation(
    settings: Settings, plan: SeatPlan, bus: Bus, engine: Engine, merger: Merger, leadership: Leadership, *,
    service: ServiceSettings, first_tick: int, operator_token: str, feed_token: str = "", bus_id: str = "",
    notices: tuple[str, ...] = (), more_queues: Queues = tuple, make: Callable[[Sequence[Sink]], Service] | None = None,
) -> Aggregation:  # fmt: skip
    """Start outputs, page and service (``make`` makes another than the usual one). Raises UserError for what the user
    can put right."""
    feed = _feed(settings, plan, feed_token)
    osc = osc_sender(settings, plan)
    made: list[Aggregation] = []
    monitor = Monitor(
        plan, title=settings.evening.id, operator_token=operator_token, names=settings.monitor.names,
        on_part=lambda name: made[0].set_part(name),
        routes={"/feed": feed.handler, "/metrics": partial(_metrics, made)},
    )  # fmt: skip
    page = _Page(monitor, feed, made)
    sinks: tuple[Sink, ...] = _Osc(osc), page
    runner = make(sinks) if make is not None else Service(
        bus, engine, merger, sinks, service, first_tick=first_tick, leadership=leadership, bus_id=bus_id
    )  # fmt: skip
    runner.watchers = (page,)
    try:
        port = await monitor.start(settings.monitor.listen, settings.monitor.port)
    except MonitorError as error:
        osc.close()
        raise UserError(str(error)) from error
    host = "127.0.0.1" if settings.monitor.listen in ("0.0.0.0", "::") else settings.monitor.listen
    running = asyncio.create_task(runner.run())
    running.add_done_callback(_ended)
    made.append(Aggregation(bus, runner, monitor, feed, osc, f"http://{host}:{port}/", running, notices, more_queues))
    return made[0]


def _feed(settings: Settings, plan: SeatPlan, token: str) -> Feed:
    """The websocket feed; off without a token. Raises UserError."""
    made = FeedSettings(token=token or files.first_line(settings.outputs.feed_token_file, "feed token") or "")
    if problems := made.problems():
        raise UserError("\n".join(f"outputs.feed_token_file: {p}" for p in problems))
    return Feed(plan, made)


def engine_settings(settings: Settings) -> EngineSettings:
    """The engine's part of evening.toml."""
    e = settings.engine
    return EngineSettings(rest_s=e.rest_s, skin_response_minimum_us=e.skin_response_minimum_us)


def osc_sender(settings: Settings, plan: SeatPlan) -> OscSender:
    """The Open Sound Control output of evening.toml. Raises UserError."""
    o = settings.outputs
    layout = OscSettings(
        prefix=o.osc_prefix, max_datagram_bytes=o.osc_max_datagram_bytes, per_seat=o.osc_seat_messages,
        seat_confidence=o.osc_seat_confidence,
    )  # fmt: skip
    if problems := layout.problems():
        raise UserError("\n".join(f"outputs: {p}" for p in problems))
    try:
        return OscSender(plan, layout, [parse_target(text, o.interface) for text in o.osc])
    except OscTargetError as error:
        raise UserError(str(error)) from error


async def _metrics(made: list[Aggregation], _: web.Request) -> web.Response:
    text = exposition(made[0].service, made[0].failing_targets()) if made else b""
    return web.Response(body=text, headers={"Content-Type": "text/plain; version=0.0.4; charset=utf-8"})


def _ended(task: asyncio.Task[None]) -> None:
    """The loop must never end by itself: say so loudly, so that a restart policy can act."""
    if not task.cancelled() and task.exception() is not None:
        log.critical("the service ended by itself", exc_info=task.exception())


def _version() -> str:
    try:
        return version("ripieno")
    except PackageNotFoundError:
        return ""


class _Osc:
    """The show engine as a sink of the service."""

    def __init__(self, sender: OscSender) -> None:
        self.sender = sender

    def send(self, snapshot: Snapshot, now_s: float) -> None:
        self.sender.send(snapshot, now_s)

    def beat(self, now_s: float, role: str) -> None:
        self.sender.heartbeat(now_s, role=role)


class _Page:
    """The page and the feed as a sink of the service. A spare's page shows what it computes, too."""

    def __init__(self, monitor: Monitor, feed: Feed, made: list[Aggregation]) -> None:
        self.monitor, self.feed, self.made = monitor, feed, made
        self._status = MonitorStatus()

    def send(self, snapshot: Snapshot, now_s: float) -> None:  # noqa: ARG002  (the page keeps its own clock)
        self.feed.publish(snapshot)
        self.monitor.update(snapshot, self._status)

    def beat(self, now_s: float, role: str) -> None:
        if self.made:
            self._status = self.made[0].status(now_s, role)
            self.monitor.update_status(self._status)

"""A whole house in one process: bus, relay, engine, outputs, page. Serve, demo and self-contained load tests run it."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from aggregator import checkpoint
from aggregator.command.errors import UserError, port_taken
from aggregator.command.settings import Settings
from aggregator.engine import Engine, EngineSettings
from aggregator.merger import Merger
from aggregator.metrics import exposition
from aggregator.monitor.api import MonitorStatus, OutputStatus, QueueStatus
from aggregator.monitor.server import Monitor, MonitorError
from aggregator.outputs.feed import Feed, FeedSettings
from aggregator.outputs.osc import OscSettings, ServiceState
from aggregator.outputs.osc_sender import OscSender, OscTargetError, parse_target
from aggregator.service import Service, ServiceSettings
from aggregator.snapshot import Snapshot
from relay.bus import Bus
from relay.bus_memory import MemoryBus
from relay.seat_card import Keyring
from relay.seat_plan import SeatPlan
from relay.server import Relay, RelaySettings

log = logging.getLogger(__name__)

MARKERS_KEPT = 64  # as many labels as the page's line shows
LOOPBACK = ("127.0.0.1", "::1", "localhost")


@dataclass
class Surroundings:
    """What a house is started with beside its settings."""

    plan: SeatPlan
    keyring: Keyring
    operator_token: str
    engine: Engine | None = None  # restored from a checkpoint
    notices: tuple[str, ...] = ()
    feed_token: str = ""


@dataclass
class House:
    """``await open(...)``; then ``service``, ``relay``, ``monitor``; ``await close()``."""

    settings: Settings
    around: Surroundings
    bus: Bus
    relay: Relay
    monitor: Monitor
    service: Service
    osc: OscSender
    page_port: int
    markers: deque[tuple[int, str]] = field(default_factory=lambda: deque(maxlen=MARKERS_KEPT))
    running: asyncio.Task[None] | None = None

    @property
    def phone_url(self) -> str:
        """Where phones on this machine connect."""
        return f"ws://{_reachable(self.settings.relay.listen)}:{self.relay.port}/phone"

    @property
    def page_url(self) -> str:
        """Where the page is."""
        return f"http://{_reachable(self.settings.monitor.listen)}:{self.page_port}/"

    async def set_part(self, name: str) -> None:
        """Move the evening to a part of relay.parts (every follower of the bus sees it)."""
        await self.service.set_part(name)
        log.info("part: %s", name)

    async def mark(self, label: str) -> None:
        """Name this moment."""
        await self.service.mark(label)
        self.markers.append((await self.bus.now_ms(), label))

    async def close(self) -> None:
        """Phones first (they are told when to come back), then the last tick and checkpoint, then the page."""
        await self.relay.close()
        self.service.stop()
        if self.running is not None:
            await self.running
        await self.monitor.close()
        self.osc.close()
        await self.bus.close()


async def open_house(settings: Settings, around: Surroundings) -> House:
    """Start everything, outputs before phones. Raises UserError for what the user can put right."""
    osc = _osc(settings, around.plan)  # first: its errors are the user's most common
    bus = MemoryBus()
    log.info("bus: in process")
    engine = around.engine or await _fresh_engine(settings, around.plan, bus)
    feed = Feed(around.plan, FeedSettings(token=around.feed_token))
    monitor = Monitor(
        around.plan, title=settings.evening.id, operator_token=around.operator_token,
        on_part=lambda name: house.set_part(name), routes={"/feed": feed.handler},
    )  # fmt: skip
    view = _Page(monitor, feed)
    service = Service(
        bus, engine, Merger(around.plan, tick_hz=engine.tick_hz, epoch=engine.epoch), (_Osc(osc), view),
        _service_settings(settings), first_tick=await _next_tick(engine, bus),
    )  # fmt: skip
    relay = Relay()
    page_port = await _start_page(monitor, settings)
    await _start_relay(relay, bus, settings, around, monitor)
    house = House(settings, around, bus, relay, monitor, service, osc, page_port)
    view.house = house
    if around.engine is not None:
        await service.set_part(engine.shards_state.newest_part())
    house.running = asyncio.create_task(service.run())
    house.running.add_done_callback(_died)
    return house


def _died(task: asyncio.Task[None]) -> None:
    """The loop must never end by itself: say so loudly, so that a restart policy can act."""
    if not task.cancelled() and task.exception() is not None:
        log.critical("the service ended by itself", exc_info=task.exception())


async def _fresh_engine(settings: Settings, plan: SeatPlan, bus: Bus) -> Engine:
    return Engine(plan, engine_settings(settings), t0_ms=await bus.now_ms(), tick_hz=settings.engine.tick_hz, epoch=1)


def engine_settings(settings: Settings) -> EngineSettings:
    """The engine's part of evening.toml."""
    e = settings.engine
    return EngineSettings(rest_s=e.rest_s, skin_response_minimum_us=e.skin_response_minimum_us)


async def _next_tick(engine: Engine, bus: Bus) -> int:
    """The first tick whose cut has not passed: after a restart the missed ones are not computed one by one."""
    behind_ms = await bus.now_ms() - engine.t0_ms
    return max(engine.k + 1, int(behind_ms * engine.tick_hz / 1000) if engine.k >= 0 else 0)


def restored(settings: Settings, plan: SeatPlan, image: bytes) -> Engine:
    """The engine of a checkpoint, its epoch one higher. Raises CheckpointError."""
    epoch = int(checkpoint.decode(image).meta.get("epoch", 0))
    return Engine.restore(image, plan, engine_settings(settings), epoch=epoch + 1)


def _service_settings(settings: Settings) -> ServiceSettings:
    path = settings.checkpoint.path
    return ServiceSettings(Path(path) if path else None, settings.checkpoint.every_s)


def _osc(settings: Settings, plan: SeatPlan) -> OscSender:
    o = settings.outputs
    layout = OscSettings(prefix=o.osc_prefix, max_datagram_bytes=o.osc_max_datagram_bytes, per_seat=o.osc_seat_messages)
    if problems := layout.problems():
        raise UserError("\n".join(f"outputs: {p}" for p in problems))
    try:
        return OscSender(plan, layout, [parse_target(text, o.interface) for text in o.osc])
    except OscTargetError as error:
        raise UserError(str(error)) from error


async def _start_page(monitor: Monitor, settings: Settings) -> int:
    try:
        return await monitor.start(settings.monitor.listen, settings.monitor.port)
    except MonitorError as error:
        raise UserError(f"{error} (option --port)") from error


async def _start_relay(relay: Relay, bus: Bus, settings: Settings, around: Surroundings, monitor: Monitor) -> None:
    r = settings.relay
    try:
        await relay.start(bus, relay_settings(settings, around))
    except OSError as error:
        await monitor.close()
        raise port_taken(error, r.listen, r.port, "the relay for phones", "--phone-port") from error
    if r.listen not in LOOPBACK:
        log.warning("phones are taken on %s: without TLS, use a network of your own", r.listen)


def relay_settings(settings: Settings, around: Surroundings) -> RelaySettings:
    """The relay's part of evening.toml."""
    return RelaySettings(
        keyring=around.keyring, evening=settings.evening.id, host=settings.relay.listen, port=settings.relay.port,
        labels=around.plan.labels,
    )  # fmt: skip


class _Osc:
    """The show engine as a sink of the service."""

    def __init__(self, sender: OscSender) -> None:
        self.sender = sender

    def send(self, snapshot: Snapshot, now_s: float) -> None:
        self.sender.send(snapshot, now_s)

    def beat(self, now_s: float, role: str) -> None:
        self.sender.heartbeat(now_s, role=role)


class _Page:
    """The page and the feed as a sink of the service."""

    def __init__(self, monitor: Monitor, feed: Feed) -> None:
        self.monitor, self.feed = monitor, feed
        self.house: House | None = None
        self._status = MonitorStatus()

    def send(self, snapshot: Snapshot, now_s: float) -> None:  # noqa: ARG002  (the page keeps its own clock)
        self.feed.publish(snapshot)
        self.monitor.update(snapshot, self._status)

    def beat(self, now_s: float, role: str) -> None:
        if self.house is not None:
            self._status = status_of(self.house, now_s, role)
            self.monitor.update_status(self._status)


def status_of(house: House, now_s: float, role: str) -> MonitorStatus:
    """What the page shows beside the snapshot: outputs, every queue with its bound, notices."""
    state = house.osc.state_at(now_s) if house.service.last is not None else ServiceState.STARTING
    return MonitorStatus(
        version=_version(),
        role=role,
        state=state,
        outputs=tuple(OutputStatus.of(s) for s in house.osc.statistics(now_s)),
        queues=_queues(house),
        markers=tuple(house.markers),
        notices=house.around.notices,
    )


def _queues(house: House) -> tuple[QueueStatus, ...]:
    boxes = house.relay.statistics().outboxes
    bus = house.bus.statistics()
    counters = house.service.engine.all_counters()
    pending = counters.get("pending_bytes", 0)
    return (
        QueueStatus("relay: to the bus", boxes.bytes, boxes.bound_bytes, "bytes", "stops taking", boxes.refused),
        QueueStatus("bus: entries not yet used", bus.bytes, bus.bound_bytes, "bytes", "stops accepting", bus.refused),
        QueueStatus(
            "engine: entries read ahead", pending, 256 << 20, "bytes", "refuses the newest",
            counters.get("entries_refused", 0),
        ),
    )  # fmt: skip


def _reachable(address: str) -> str:
    return "127.0.0.1" if address in ("0.0.0.0", "::") else address


def _version() -> str:
    try:
        return version("ripieno")
    except PackageNotFoundError:
        return ""


def metrics_page(house: House) -> bytes:
    """The aggregator's metrics text."""
    return exposition(house.service)

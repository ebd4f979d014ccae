"""A whole house in one process: bus, relay, engine, outputs, page. Serve, demo and self-contained load tests run it."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from aggregator import saved
from aggregator.command import common
from aggregator.command.admission import moment_s, retired, tls_context
from aggregator.command.aggregation import Aggregation, engine_settings, open_aggregation
from aggregator.command.errors import UserError, port_taken
from aggregator.command.settings import Settings
from aggregator.engine import Engine
from aggregator.leadership import Alone
from aggregator.merger import Merger
from aggregator.monitor.api import QueueStatus
from aggregator.saved import Saved
from aggregator.service import ServiceSettings
from relay.bus_memory import MemoryBus, house_clock
from relay.seat_card import Keyring
from relay.seat_plan import SeatPlan
from relay.server import Relay, RelaySettings

log = logging.getLogger(__name__)

Clock = Callable[[], float]
LOOPBACK = ("127.0.0.1", "::1", "localhost")
EPOCH_ORIGIN_S = 1_700_000_000  # epochs of fresh starts are seconds since then: they rise without any memory


@dataclass(frozen=True)
class Surroundings:
    """What a house is started with beside its settings. ``saved``: go on from there; ``feed_token`` "": no feed."""

    plan: SeatPlan
    keyring: Keyring
    operator_token: str
    saved: Saved | None = None
    notices: tuple[str, ...] = ()
    feed_token: str = ""


@dataclass
class House:
    """``await open_house(...)``, use, ``await close()``."""

    settings: Settings
    around: Surroundings
    relay: Relay
    inner: Aggregation

    @property
    def phone_url(self) -> str:
        """Where phones on this machine connect."""
        encrypted = "s" if self.settings.relay.tls_certificate else ""
        return f"ws{encrypted}://{reachable(self.settings.relay.listen)}:{self.relay.port}/phone"

    @property
    def page_url(self) -> str:
        """Where the page is."""
        return self.inner.page_url

    async def close(self) -> None:
        """Phones first (they are told when to come back), then the last tick and checkpoint, then the page."""
        await self.relay.close()
        await self.inner.close()


async def open_house(settings: Settings, around: Surroundings) -> House:
    """Start everything, outputs before phones. Raises UserError for what the user can put right."""
    how = relay_settings(settings, around.plan, around.keyring)
    engine, merger, first_tick, clock = _engine(settings, around)
    bus, relay = MemoryBus(clock=clock), Relay()
    path = Path(settings.checkpoint.path) if settings.checkpoint.path else None
    inner = await open_aggregation(
        settings, around.plan, bus, engine, merger, Alone(merger.epoch), first_tick=first_tick,
        service=ServiceSettings(path, settings.checkpoint.every_s, evening=settings.evening.id),
        operator_token=around.operator_token,
        feed_token=around.feed_token, notices=around.notices, more_queues=lambda: _queues(relay),
    )  # fmt: skip
    log.info("bus: in process")
    try:
        await relay.start(bus, how)
    except OSError as error:
        await inner.close(keep=False)
        r = settings.relay
        raise port_taken(error, r.listen, r.port, "the relay for phones", "--phone-port") from error
    if settings.relay.listen not in LOOPBACK and how.tls is None:
        log.warning("phones are taken on %s: without TLS, use a network of your own", settings.relay.listen)
    for listener in engine.listeners.tombstones:  # the bus that told the relay died with its process
        relay.core.house.erase(listener)
    if around.saved is not None:
        await inner.service.set_part(engine.shards_state.newest_part())
    return House(settings, around, relay, inner)


def _engine(settings: Settings, around: Surroundings) -> tuple[Engine, Merger, int, Clock]:
    """Fresh or restored, its first tick, and house time in seconds. A restored one skips the ticks that nobody
    computed: its bus died with its process."""
    clock = house_clock()
    if around.saved is None:
        now_ms = int(clock() * 1000)
        epoch, hz = int(time.time()) - EPOCH_ORIGIN_S, settings.engine.tick_hz
        engine = Engine(around.plan, engine_settings(settings), t0_ms=now_ms, tick_hz=hz, epoch=epoch)
        return engine, Merger(around.plan, tick_hz=hz, epoch=epoch), 0, clock
    kept = around.saved
    engine, merger = saved.restore(kept, around.plan, engine_settings(settings), epoch=kept.epoch + 1)
    common.warn_of_versions(kept)
    clock = _no_earlier(clock, engine.cut_ms(engine.k + 1) / 1000)
    return engine, merger, max(engine.k + 1, int((clock() * 1000 - engine.t0_ms) * engine.tick_hz / 1000)), clock


def _no_earlier(clock: Clock, least_s: float) -> Clock:
    """The clock, or one that goes on from ``least_s`` where this machine's came back earlier than the checkpoint (a
    start without a network, a battery that is empty): ticks would wait until it has caught up."""
    behind_s = least_s - clock()
    if behind_s <= 0.0:
        return clock
    log.warning(
        "this machine's clock is %.0f s behind the checkpoint: house time goes on from the checkpoint", behind_s
    )
    return lambda: clock() + behind_s


def relay_settings(settings: Settings, plan: SeatPlan, keyring: Keyring) -> RelaySettings:
    """The relay's part of evening.toml. Raises UserError for a certificate that cannot be used."""
    e, r = settings.evening, settings.relay
    try:
        tls = tls_context(r.tls_certificate, r.tls_key) if r.tls_certificate else None
    except (OSError, ValueError) as error:
        raise UserError(
            f"relay.tls_certificate {r.tls_certificate} and relay.tls_key {r.tls_key} do not go together ({error}): "
            "name the PEM files of one certificate, the key not encrypted"
        ) from error
    return RelaySettings(
        keyring=keyring, evening=e.id, host=r.listen, port=r.port, labels=plan.labels,
        opens_s=moment_s(e.opens) if e.opens else float("-inf"),
        closes_s=moment_s(e.closes) if e.closes else float("inf"),
        revoked=frozenset(retired(text) for text in e.revoked), consent_text=e.consent_text,
        reuse_port=r.workers > 1, tls=tls,
    )  # fmt: skip


def _queues(relay: Relay) -> tuple[QueueStatus, ...]:
    boxes = relay.statistics().outboxes
    return (QueueStatus("relay: to the bus", boxes.bytes, boxes.bound_bytes, "bytes", "stops taking", boxes.refused),)


def reachable(address: str) -> str:
    """An address that this machine's browser can open."""
    return "127.0.0.1" if address in ("0.0.0.0", "::") else address


async def wait_for_end(house: House) -> None:
    """Until cancelled; raises what ended the service or the relay, should that ever happen."""
    ends = [asyncio.ensure_future(asyncio.shield(house.inner.running)), asyncio.ensure_future(house.relay.ended())]
    try:
        done, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        for end in done:
            end.result()
    finally:
        for end in ends:
            end.cancel()

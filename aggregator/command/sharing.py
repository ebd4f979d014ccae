"""``ripieno aggregate --owners N``: one of several aggregators that share a house's computing, put together."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from aggregator.checkpoint import CheckpointError
from aggregator.collector import MAX_AHEAD
from aggregator.command import common
from aggregator.command.aggregation import Aggregation, engine_settings, open_aggregation
from aggregator.command.going_on import CATCH_UP_S
from aggregator.command.settings import Settings
from aggregator.engine import Engine
from aggregator.leadership import Leadership
from aggregator.leases import LeaseStore
from aggregator.merger import Merger
from aggregator.monitor.api import QueueStatus
from aggregator.parts_channel import SEND_BOUND, TAKE_BOUND, RedisParts
from aggregator.portion_files import newest_file
from aggregator.portions import Portions, shards_of
from aggregator.service import ServiceSettings, Sink
from aggregator.shared_service import SharedService, SharingSettings
from relay.bus import Bus
from relay.redis_client import Place
from relay.seat_plan import SeatPlan

log = logging.getLogger(__name__)

OWNERS = "owners"  # kept beside the evening's origin: all aggregators cut its shards alike


@dataclass(frozen=True, slots=True)
class Evening:
    """What all aggregators of an evening have in common."""

    settings: Settings
    plan: SeatPlan
    t0_ms: int
    tick_hz: float
    folder: Path | None
    of: int

    def merger(self) -> Merger:
        """Fresh, or with the published values of the newest file of any portion."""
        merger = Merger(self.plan, tick_hz=self.tick_hz)
        files = [newest_file(self.folder, portion, self.of, self.t0_ms) for portion in range(self.of)]
        kept = max((f for f in files if f is not None), key=lambda f: f.k, default=None)
        if kept is not None:
            try:
                merger.load(kept.published)
            except (KeyError, ValueError) as error:
                log.error("published values of another seat plan are left aside (%s)", error)
                return Merger(self.plan, tick_hz=self.tick_hz)
        return merger

    def build(self, portion: int, due: int) -> tuple[Engine, str]:
        """A portion's engine from its newest file; fresh where there is none, where it cannot be used, or where it is
        from before what the bus still holds (``due`` is the tick of now)."""
        owned = shards_of(portion, self.of)
        settings, kept = engine_settings(self.settings), newest_file(self.folder, portion, self.of, self.t0_ms)
        if kept is not None and due - kept.k <= CATCH_UP_S * self.tick_hz:
            try:
                engine = Engine.restore(kept.image, self.plan, settings, owned=owned, epoch=0)
                common.warn_of_versions(kept)
                return engine, kept.bus
            except CheckpointError as error:
                log.error("portion %d begins anew, with no baseline kept: %s", portion, error)
        return Engine(self.plan, settings, owned=owned, t0_ms=self.t0_ms, tick_hz=self.tick_hz), ""


async def owners(store: LeaseStore, settings: Settings) -> int:
    """How many portions share this evening's computing: the first aggregator that shares it says so, all others that do
    follow. 1: this one computes all of it, whatever others do."""
    wanted = settings.engine.owners
    if wanted == 1:
        return 1
    of = int(await store.remember(OWNERS, str(wanted)))
    if of != wanted:
        log.warning("this evening is shared by %d portions, not by the settings' %d", of, wanted)
    return of


async def open_shared(
    evening: Evening, bus: Bus, store: LeaseStore, leadership: Leadership, place: Place, name: str, token: str, *,
    watch: bool,
) -> Aggregation:  # fmt: skip
    """Start it."""
    settings, of = evening.settings, evening.of
    if evening.folder is not None:
        evening.folder.mkdir(parents=True, exist_ok=True)
    due = max(0, int((await bus.now_ms() - evening.t0_ms) * evening.tick_hz / 1000))
    portions = Portions(of, evening.t0_ms, evening.tick_hz, k=due - 1)
    merger = evening.merger()
    channel = RedisParts(place, settings.evening.id)
    made: list[SharedService] = []

    def make(sinks: Sequence[Sink]) -> SharedService:
        sharing = SharingSettings(
            name, None if watch else evening.folder, settings.checkpoint.every_s, settings.evening.id, not watch
        )  # fmt: skip
        made.append(
            SharedService(
                bus,
                portions,
                merger,
                sinks,
                sharing,
                store=store,
                channel=channel,
                leadership=leadership,
                build=lambda portion: evening.build(portion, portions.k),
            )
        )
        return made[0]

    return await open_aggregation(
        settings, evening.plan, bus, cast("Any", portions), merger, leadership, service=ServiceSettings(),
        first_tick=due, operator_token=token, make=make, more_queues=lambda: queues(made[0]) if made else (),
    )  # fmt: skip


def queues(service: SharedService) -> tuple[QueueStatus, ...]:
    """The queues that only sharing has (contract 13)."""
    (out, into), counts = service.channel.waiting(), service.channel.counters
    waits, late = service.collector.waits(), service.collector.counters
    lost = late.parts_late + late.parts_early
    return (
        QueueStatus("parts: to be sent", out, SEND_BOUND, "messages", "loses the oldest", counts.send_lost),
        QueueStatus("parts: received", into, TAKE_BOUND, "messages", "loses the oldest", counts.take_lost),
        QueueStatus("parts: ticks that wait", waits, MAX_AHEAD, "ticks", "100 ms, then without", lost),
    )

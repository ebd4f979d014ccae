"""The server processes of a concert: relays and aggregators, each incarnation a host of its own running the real code.

An aggregator starts as ``ripieno aggregate`` does: the evening's origin, the newest readable checkpoint, then a Service
with a lease. What it reads and uses is written down beside it, for the invariants.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from aggregator import saved
from aggregator.checkpoint import CheckpointError
from aggregator.engine import Engine, EngineSettings
from aggregator.intake import Taken
from aggregator.leadership import Leased
from aggregator.listeners import Kind
from aggregator.merger import Merger
from aggregator.saved import Saved
from aggregator.service import Service, ServiceSettings
from aggregator.snapshot import Snapshot
from relay.bus import BusUnavailable
from relay.entries import FIRST, Entry, Stamp
from relay.server_core import RelayCore
from relay.session_table import House
from tests.simulation.bus_server import SimulatedBus, SimulatedLeases, Wire
from tests.simulation.disk import FOLDER
from tests.simulation.virtual_time import Host

if TYPE_CHECKING:
    from tests.simulation.concert import Concert

Packet = tuple[int, int, int]  # listener, stream, sequence
SETTINGS = EngineSettings(rest_s=30.0)
ORIGIN = "origin"


@dataclass
class Sent:
    """One snapshot on its way to the show engine: when, by whom, and what."""

    at_s: float
    holder: str
    snapshot: Snapshot


@dataclass
class Ledger:
    """What a line of engines (one, and those it was restored from) has read and used."""

    whole: bool = True  # equal to a replay from the start: it began before the first phone, or from such a one
    began_k: int = 0
    read: list[tuple[int, Stamp]] = field(default_factory=list)
    used: dict[Packet, int] = field(default_factory=dict)
    twice: list[tuple[Packet, int, int]] = field(default_factory=list)  # and the two ticks

    def upto(self, k: int, cut_ms: int) -> Ledger:
        """As it stood after tick k."""
        read = [(stream, stamp) for stream, stamp in self.read if stamp.ms < cut_ms]
        return Ledger(self.whole, self.began_k, read, {p: at for p, at in self.used.items() if at <= k})


class RelayRole:
    """One incarnation of a relay."""

    def __init__(self, concert: Concert, name: str, dice: random.Random, *, backlog_items: int) -> None:
        self.host = Host(name, offset_s=dice.uniform(0, 1e5), rate=1 + dice.uniform(-1e-4, 1e-4))
        self.wire = Wire(concert.server, random.Random(f"{concert.seed}/{name}/wire"), concert.world)
        house = House(concert.keyring, concert.evening, concert.plan.labels)
        self.core = RelayCore(
            SimulatedBus(self.wire), house, clock_ms=self.host.clock_ms, flush_ms=concert.flush_ms,
            backlog_items=backlog_items,
        )  # fmt: skip
        self.open = False
        self.task = self.host.start(self._run())

    async def _run(self) -> None:
        self.core.house.bus_id = await self.core.bus_id()
        self.open = True
        await self.core.run()

    def takes(self) -> bool:
        """A connection attempt is answered."""
        return self.open and not self.host.dead and not self.host.paused


class AggregatorRole:
    """One incarnation of an aggregator."""

    def __init__(self, concert: Concert, name: str, dice: random.Random) -> None:
        self.concert, self.name = concert, name
        self.host = Host(name, offset_s=dice.uniform(0, 1e5), rate=1 + dice.uniform(-1e-4, 1e-4))
        self.host.disk_s = concert.disk.write_s
        self.wire = Wire(concert.server, random.Random(f"{concert.seed}/{name}/wire"), concert.world)
        self.path = FOLDER / f"{name}.checkpoint"
        self.ledger = Ledger()
        self.computed: dict[int, Snapshot] = {}
        self.trimmed_past: list[tuple[int, Stamp]] = []
        self.service: Service | None = None
        self.engine: Engine
        self._bus_id = ""
        self.task = self.host.start(self._run())

    async def _run(self) -> None:
        bus, leases = SimulatedBus(self.wire), SimulatedLeases(self.wire)
        while True:
            try:
                first = await self._engine(bus, leases)
                break
            except BusUnavailable:
                await asyncio.sleep(0.5)
        leadership = Leased(leases, self.name, clock=self.host.clock)
        settings = ServiceSettings(self.path, self.concert.checkpoint_every_s, trim_without_checkpoint=False)
        self.service = Service(
            bus, self.engine, self._merger, [self], settings, first_tick=first, leadership=leadership,
            bus_id=self._bus_id, clock=self.host.clock,
        )  # fmt: skip
        self.service.on_entries.append(self._read)
        self._watch(self.service)
        await self.service.run()

    async def _engine(self, bus: SimulatedBus, leases: SimulatedLeases) -> int:
        """The way of ``ripieno aggregate``; returns the first tick."""
        concert, hz = self.concert, self.concert.tick_hz
        text = await leases.remember(ORIGIN, f"{await bus.now_ms()} {hz:g}")
        t0_ms = int(text.split()[0])
        kept = self._newest()
        if kept is None:
            self.engine = Engine(concert.plan, SETTINGS, t0_ms=t0_ms, tick_hz=hz)
            self._merger = Merger(concert.plan, tick_hz=hz)
            first = max(0, int((await bus.now_ms() - t0_ms) * hz / 1000))
            before = [e for log in concert.server.log for e in log if e.stamp.ms < self.engine.cut_ms(first)]
            self.ledger = Ledger(whole=not before, began_k=first)
        else:
            self.engine, self._merger = saved.restore(kept, concert.plan, SETTINGS, epoch=0)
            first, self._bus_id = self.engine.k + 1, kept.bus
        self._tap()
        return first

    def _newest(self) -> Saved | None:
        """The checkpoint with the latest tick; damaged ones are passed over."""
        best: Saved | None = None
        for path, image in self.concert.disk.files.items():
            try:
                kept = saved.unpack(image)
            except CheckpointError:
                continue
            if best is None or kept.k > best.k:
                best = kept
                writer = self.concert.writers[path]
                self.ledger = writer.ledger.upto(kept.k, writer.engine.cut_ms(kept.k))
        return best

    # --- what it sends -----------------------------------------------------------------------------------------

    def send(self, snapshot: Snapshot, now_s: float) -> None:  # noqa: ARG002
        """As the show engine's sink."""
        if not self.concert.over:
            self.concert.sent.append(Sent(asyncio.get_running_loop().time(), self.name, snapshot))

    def beat(self, now_s: float, role: str) -> None:
        """Not needed."""

    # --- what is written down ----------------------------------------------------------------------------------

    def _read(self, entries: Sequence[Entry]) -> None:
        self.ledger.read.extend((e.stream, e.stamp) for e in entries)

    def _watch(self, service: Service) -> None:
        """Keep every snapshot computed, also a spare's; and notice entries that were trimmed before they were read."""
        real, server = self._merger.publish, self.concert.server

        def publish(parts: Sequence[object], *, missing: Sequence[int] = ()) -> Snapshot:
            made = real(parts, missing=missing)  # type: ignore[arg-type]
            if not self.concert.over:
                self.computed[made.k] = made
            return made

        self._merger.publish = publish  # type: ignore[method-assign]
        asked, bus = service.bus.read, service.bus
        furthest: dict[int, Stamp] = {}

        async def read(after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
            for stream, stamp in after.items():
                # After a failover it goes back 10 s to what it has read: that may be gone, but for stamps given again.
                known = min(furthest.get(stream, FIRST), Stamp(server.stamped_again_ms, 0))
                furthest[stream] = max(furthest.get(stream, FIRST), stamp)
                if max(stamp, known) >= server.trimmed[stream]:
                    continue
                if self.ledger.whole and stamp != FIRST:
                    self.trimmed_past.append((stream, stamp))
                self.ledger.whole = False
            return await asked(after, limit=limit, wait_s=wait_s)

        bus.read = read  # type: ignore[method-assign]

    def _tap(self) -> None:
        """Write down which packets' samples reach the kernels."""
        chains = self.engine.chains
        real = chains.process

        def process(taken: Taken) -> object:
            self._used(taken)
            return real(taken)

        chains.process = process  # type: ignore[method-assign,assignment]

    def _used(self, taken: Taken) -> None:
        table, k, ledger = self.engine.listeners.table, self.engine.k + 1, self.ledger
        for kind, samples in taken.samples.items():
            if kind not in (Kind.PULSE, Kind.SKIN):
                continue
            for i, row in enumerate(samples.rows.tolist()):
                listener, stream = int(table.listener[row]), int(table.stream[row])
                numbers = self.concert.numbers(listener, stream, int(kind))
                first = int(samples.first[i])
                for time_us in samples.time_us[first : first + int(samples.count[i])].tolist():
                    number = numbers.get(time_us)
                    if number is None:
                        continue
                    packet = (listener, stream, number)
                    if packet in ledger.used:
                        ledger.twice.append((packet, ledger.used[packet], k))
                    ledger.used.setdefault(packet, k)  # the first time: a restart from before the second knows it

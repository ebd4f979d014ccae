"""One of several aggregators that share a house's computing. Shell; the rules are aggregator.shards and .collector.

The loop is the service's: at each tick's cut it reads on and computes, here the portions of the shards that this one
owns or follows. What it owns it publishes, each part as soon as it is computed, under the portion's lease, looked at
just before. Everybody hears all parts, merges each tick when its parts are there or 100 ms after its cut, and shows the
result on its page; the lead hands it to the outputs, and writes what was missing as entries of the house's stream.

Beside the loop: leases and words of presence five times a second; listening and merging; the building up of a portion
that this one is to compute (its newest checkpoint, then the bus, tick by tick between the loop's own). A portion is
taken into the loop, or out of it, between two turns only, so that everything is read for all of them.

What takes a portion over publishes the newest ticks again: those that are still waited for are whole.

A spare merges by what it hears itself. Where it missed a part that the lead had, or had one that the lead missed, its
published values differ until the glides have run out (seconds; linkage and synchrony a window), should it lead then;
its first entries say what it had missed.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from aggregator.collector import WAIT_MS, Collected, Collector, ListWriter
from aggregator.leadership import Leadership
from aggregator.leases import RENEW_MS, LeaseStore
from aggregator.merger import Merger
from aggregator.parts_channel import PartsChannel
from aggregator.parts_wire import (
    FAREWELL,
    PART,
    PRESENCE,
    PartError,
    decode_part,
    decode_presence,
    encode_part,
    encode_presence,
    plan_mark,
    read_head,
    sender_of,
)
from aggregator.portion_build import Build, Builder
from aggregator.portion_files import PortionFiles
from aggregator.portions import Portions
from aggregator.service import LATE_LIMIT_MS, PRIOR_EVERY_S, Service
from aggregator.service_settings import ServiceSettings, Sink
from aggregator.shards import Ownership
from aggregator.snapshot import Links, PartSnapshot
from relay.bus import Bus, BusUnavailable
from relay.entries import HousePrior, Origin

log = logging.getLogger(__name__)

RECENT = 6  # ticks: 100 ms at the highest rate, and one
SAY_FAREWELL_S = 0.1  # for the last word to leave: one exchange with the server
MERGE_LOOK_S = 0.5  # how long the merging waits at most without looking at the time


@dataclass(slots=True)
class SharingCounters:
    """Messages that were not used: unreadable, or of another seat plan or number of portions; parts published; portions
    taken over, handed on, built up."""

    malformed: int = 0
    other_house: int = 0
    published: int = 0
    taken: int = 0
    handed_on: int = 0
    built: int = 0


@dataclass(frozen=True, slots=True)
class SharingSettings:
    """``name`` of this aggregator; ``folder`` for the portions' files (None: none are written); ``takes_part`` False:
    it owns and follows nothing (a page of its own); ``evening`` is written into the files."""

    name: str
    folder: Path | None = None
    every_s: float = 10.0
    evening: str = ""
    takes_part: bool = True


@dataclass(slots=True)
class _Told:
    """What was published of one portion: its newest parts, and its linkage as it was told last."""

    recent: deque[PartSnapshot] = field(default_factory=lambda: deque(maxlen=RECENT))
    links: Links | None = None
    mark: int = 0


class SharedService(Service):
    """See the module; ``run``, ``stop`` and the lists of callbacks are the service's."""

    def __init__(
        self, bus: Bus, portions: Portions, merger: Merger, sinks: Sequence[Sink], sharing: SharingSettings, *,
        store: LeaseStore, channel: PartsChannel, build: Build, leadership: Leadership,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        """``portions`` empty, its ``k`` the tick before the first."""
        super().__init__(
            bus, cast("Any", portions), merger, sinks, ServiceSettings(trim_without_checkpoint=False),
            first_tick=portions.k + 1, leadership=leadership, clock=clock,
        )  # fmt: skip
        self.portions, self.sharing, self.store, self.channel, self.build = portions, sharing, store, channel, build
        of = portions.of
        self.ownership = Ownership(sharing.name, of, clock() * 1000, takes_part=sharing.takes_part)
        self.collector = Collector(of, portions.k + 1, portions.t0_ms, portions.tick_hz)
        self.lists, self.share = ListWriter(portions.tick_hz), SharingCounters()
        self.files: PortionFiles | None = None
        if sharing.folder is not None:
            self.files = PortionFiles(
                bus, merger, sharing.folder, sharing.name, of, sharing.every_s,
                owns=lambda portion: portion in self.owned(), bus_id=lambda: self._failovers.known,
                evening=sharing.evening, clock=clock,
            )  # fmt: skip
        self._plan_mark, self._sender = plan_mark(merger.plan), sender_of(sharing.name)
        self._reader.keep(portions.streams())
        self._told = [_Told() for _ in range(of)]
        self._at: tuple[float, float] | None = None  # house time, and this clock's when it was asked for
        self._wake = asyncio.Event()
        self._leaving: set[int] = set()
        self.builder = Builder(
            bus, portions, build, bus_id=lambda: self._failovers.known, rewinds=lambda: self.counters.rewinds
        )  # fmt: skip
        self._owned_last: frozenset[int] = frozenset()
        self.beside += [self._share, self._collect]

    def owned(self) -> dict[int, int]:
        """Portions that are this one's now, with their tokens."""
        return self.ownership.owned(self._clock() * 1000)

    # --- the loop ----------------------------------------------------------------------------------------------

    async def _turn(self) -> None:
        self._change_portions()
        await super()._turn()

    def _change_portions(self) -> None:
        """Between turns: what was built up joins, what others have is dropped."""
        for portion in sorted(self._leaving & set(self.portions.engines)):
            self.portions.drop(portion)
            self._told[portion] = _Told()
            if self.files is not None:
                self.files.drop(portion)
        self._leaving.clear()
        for portion, (engine, position) in self.builder.take():
            self.portions.add(portion, engine)
            self._reader.join(position)
            if self.files is not None:
                self.files.add(portion, engine)
            self.ownership.warm.add(portion)
            self.share.built += 1
            self._wake.set()
        self._reader.keep(self.portions.streams())

    async def _tick(self, k: int, now_ms: float) -> None:
        begun = self._clock()
        self._at, self._k = (now_ms, begun), k + 1
        for portion, part in self.portions.tick(k):
            for listen in self.on_part_snapshot:
                self._guarded(listen, part)
            told = self._told[portion]
            told.recent.append(part)
            self._publish(portion, part)
            await asyncio.sleep(0)  # so that it leaves while the next is computed
        self.collector.came(k, self._house_ms())
        self.counters.ticks += 1
        self._merge_due()
        self.tick_ms.append((self._clock() - begun) * 1000)
        await self._housekeeping(now_ms - self.portions.cut)

    def _publish(self, portion: int, part: PartSnapshot) -> None:
        """Under the lease, looked at here: a process that was stopped finds it expired."""
        token, told = self.owned().get(portion), self._told[portion]
        if token is None or self._house_ms() - part.cut_ms > LATE_LIMIT_MS:
            return
        changed = part.links is not told.links
        told.links, told.mark = part.links, told.mark + changed
        links = changed or part.k % max(1, int(self.portions.tick_hz)) == 0
        try:
            raw = encode_part(
                part, portion, self.portions.of, self._plan_mark, self._sender, token, mark=told.mark, links=links
            )
        except PartError as error:
            log.error("portion %d cannot be told: %s", portion, error)
            return
        self.channel.send(raw)
        self.share.published += 1
        self.collector.offer(portion, token, part)

    def _house_ms(self) -> float:
        """House time now, by this clock since the bus was asked; 0 before it was."""
        if self._at is None:
            return 0.0
        return self._at[0] + (self._clock() - self._at[1]) * 1000

    async def _housekeeping(self, behind_ms: float = 0.0) -> None:
        now, leads = self._clock(), self.leadership.leads()
        if leads and not self._led:
            origin = Origin(self.portions.t0_ms, self.portions.tick_hz, self.leadership.epoch)
            await self._write_all(origin, streams=[self.bus.shards])
        self._led = leads
        await self._write_lists(leads)
        if now >= self._due_prior_s and 0 in self.owned() and 0 in self.portions.engines:
            # Whoever owns the first portion speaks for all: listeners fall into portions by chance, not by seat.
            self._due_prior_s = now + PRIOR_EVERY_S
            prior = self.portions.engines[0].prior_summary()
            if prior is not None:
                await self._write_all(HousePrior(*prior), streams=range(self.bus.shards))
        if self.last is not None and leads:
            for stream, series in self._series.due(self.merger.linkage, self.last.house.counted):
                await self._write_all(series, streams=[stream])
        if self.files is not None:
            self.files.step()
            self.counters.checkpoints, self.counters.checkpoint_failures = self.files.written, self.files.failures
            self.traces.cleared = sum(t.cleared for t in self.files.traces())
            self.traces.failures = sum(t.failures for t in self.files.traces())
        await self._share_of_time.give(self.tick_ms[-1] if self.tick_ms else 0.0, behind_ms)

    async def _write_lists(self, leads: bool) -> None:
        while leads and (entry := self.lists.first()) is not None:
            await self._write_all(entry, streams=[self.bus.shards])
            self.lists.done(entry)

    async def _up_to_date(self) -> bool:
        return True

    async def _checkpoint(self, *, final: bool = False) -> None:
        if final and self.files is not None:
            await self.files.end(self._owned_last)

    # --- merging -----------------------------------------------------------------------------------------------

    async def _collect(self) -> None:
        """Hear and merge, whatever the loop is waiting for."""
        while True:
            self._hear()
            self._merge_due()
            wait_s = MERGE_LOOK_S
            if self._at is not None:
                wait_s = min(wait_s, max(0.001, (self.collector.due_ms() - self._house_ms()) / 1000))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.channel.arrived.wait(), wait_s)

    def _hear(self) -> None:
        for raw in self.channel.take():
            try:
                self._use(raw)
            except PartError as error:
                if self.share.malformed == 0:
                    log.warning("what another aggregator told is unreadable: %s", error)
                self.share.malformed += 1

    def _use(self, raw: bytes) -> None:
        head, now_ms = read_head(raw), self._clock() * 1000
        if head.sender == self._sender:
            return
        if head.of != self.portions.of or (head.kind == PART and head.plan != self._plan_mark):
            if self.share.other_house == 0:
                log.error("another aggregator has another seat plan or number of owners: its parts are not used")
            self.share.other_house += 1
        elif head.kind == PART:
            told = decode_part(raw, self.merger.plan)
            if told.part.cut_ms != self.portions.cut_ms(head.k):
                raise PartError(f"part: tick {head.k} of another evening")
            self.collector.offer_told(told)
        else:
            word = decode_presence(raw)
            before = {p.name: p for p in self.ownership.peers(now_ms)}.get(word.name)
            if head.kind == PRESENCE:
                self.ownership.hear(word, now_ms)
            elif head.kind == FAREWELL:
                self.ownership.leave(word.name)
            if before != word or head.kind == FAREWELL:
                self._wake.set()

    def _merge_due(self) -> None:
        if self._at is None:
            return
        for collected in self.collector.due(self._house_ms()):
            leads = self._merge(collected) if collected.parts else self.leadership.leads()
            self.lists.note(collected, self.leadership.epoch if leads else None)

    def _merge(self, collected: Collected) -> bool:
        """Whether as the lead: looked at after the computing, just before the sending."""
        self.merger.epoch = self.leadership.epoch
        snapshot = self.merger.publish(collected.parts, missing=collected.missing)
        self.last, self.last_s = snapshot, self._clock()
        leads = self.leadership.leads()
        if leads:
            self._send(snapshot, late_ms=self._house_ms() - snapshot.cut_ms)
        else:
            self._show(snapshot)
        return leads

    # --- owning ------------------------------------------------------------------------------------------------

    async def _share(self) -> None:
        """Leases and words, until cancelled; then everything is given back, and said so."""
        speaking = asyncio.create_task(self.channel.run())
        try:
            while True:
                self._wake.clear()
                await self._renew()
                if speaking.done():
                    speaking.result()
                with contextlib.suppress(asyncio.TimeoutError, TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), RENEW_MS / 1000)
        finally:
            self._owned_last = frozenset(self.owned())
            await self.builder.end()
            await asyncio.shield(self._give_back())
            speaking.cancel()
            await asyncio.wait([speaking])
            await self.channel.close()

    async def _give_back(self) -> None:
        for portion in self._owned_last:
            self.ownership.released(portion)
        with contextlib.suppress(BusUnavailable):  # who is away for one is for all: sixteen waits would outlast a stop
            for portion in sorted(self._owned_last):
                lease = self.ownership.leases[portion]
                await self.store.release(lease.name, lease.holder)
        if self.sharing.takes_part:
            word = self.ownership.word(self._clock() * 1000)
            self.channel.send(encode_presence(word, self.portions.of, farewell=True))
            await asyncio.sleep(SAY_FAREWELL_S)

    async def _renew(self) -> None:
        """One round: release, ask, build, drop, say."""
        self.ownership.late = self._house_ms() - self.portions.cut > LATE_LIMIT_MS
        wishes = self.ownership.wishes(self._clock() * 1000)
        for portion in wishes.release:
            lease = self.ownership.leases[portion]
            self.ownership.released(portion)
            with contextlib.suppress(BusUnavailable):
                await self.store.release(lease.name, lease.holder)
            self.share.handed_on += 1
            log.info("%s hands on portion %d", self.sharing.name, portion)
        if wishes.release:
            self._say()
        await asyncio.gather(*(self._ask(portion) for portion in wishes.ask))
        for portion in wishes.build:
            self.builder.begin(portion)
        self.ownership.building = self.builder.under_way()
        for portion in wishes.drop:
            self.ownership.warm.discard(portion)
            self._leaving.add(portion)
        self._say()

    def _say(self) -> None:
        if self.sharing.takes_part:
            self.channel.send(encode_presence(self.ownership.word(self._clock() * 1000), self.portions.of))

    async def _ask(self, portion: int) -> None:
        lease, asked_ms = self.ownership.leases[portion], self._clock() * 1000
        try:
            token = await self.store.acquire(lease.name, lease.holder, lease.ttl_ms)
        except BusUnavailable:
            return
        if self.ownership.answered(portion, token, asked_ms):
            self.share.taken += 1
            log.warning("%s owns portion %d of %d, token %d", lease.holder, portion, self.portions.of, token)
            self._told[portion].links = None  # told anew: others keep a linkage by the lease's token
            for part in self._told[portion].recent:
                if self._house_ms() <= part.cut_ms + 2 * WAIT_MS:
                    self._publish(portion, part)
            self._merge_due()

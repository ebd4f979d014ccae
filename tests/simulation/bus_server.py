"""A simulated bus server, and each host's link to it: relay.bus.Bus with every failure that a real one has.

The server keeps contract 3 and 4's rules (stamps never fall, none below a time that was given out) and stays up, stalls
(requests wait in order), is away, or fails over: the newest entries are gone, the clock may be behind, so that stamps
begin again below what was read, and the replication id is another. A link refuses, loses requests, loses answers (the
outcome is unknown) or writes a part of what was asked.
"""

from __future__ import annotations

import asyncio
import contextvars
import enum
import random
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from aggregator.leases import MemoryLeaseStore
from relay.bus import SHARDS, BusStatistics, BusUnavailable
from relay.entries import FIRST, Entry, Stamp

COMMAND_LIMIT_S = 0.5  # the real client's time-out (relay.redis_client)
BOUND_ENTRIES = 30_000  # of one stream: a bus that nobody trims refuses


class Link(enum.Enum):
    """How a host's link to the server is at the moment."""

    GOOD = "good"
    SLOW = "slow"
    REFUSED = "refused"  # the connection is refused at once
    MUTE = "mute"  # requests are lost
    DEAF = "deaf"  # requests are carried out, answers are lost
    PARTIAL = "partial"  # the connection breaks in the middle of a request


@dataclass
class Server:
    """The server's data, clock and state. ``log`` is what each stream ever held and did not lose; never trimmed."""

    shards: int = SHARDS
    wall_offset_s: float = 1_700_000_000.0
    live: list[list[Entry]] = field(default_factory=list)
    log: list[list[Entry]] = field(default_factory=list)
    trimmed: list[Stamp] = field(default_factory=list)
    lost: list[Entry] = field(default_factory=list)
    losses: int = 0
    stamped_again_ms: int = 1 << 62  # the first stamp that a new primary with a slow clock may have given again
    leases: MemoryLeaseStore = field(default_factory=MemoryLeaseStore)
    generation: int = 0
    away_until_s: float = 0.0
    stalled_until_s: float = 0.0
    written: int = 0
    refused: int = 0
    most_entries: int = 0
    over: bool = False
    rewriting: bool = False
    on_disk: list[list[Entry]] = field(default_factory=list)

    def __post_init__(self) -> None:
        streams = range(self.shards + 1)
        self.live = [[] for _ in streams]
        self.log = [[] for _ in streams]
        self.on_disk = [[] for _ in streams]
        self.trimmed = [FIRST for _ in streams]
        self._last = [FIRST for _ in streams]
        self._floor_ms = 0
        self._waiting: list[tuple[frozenset[int], asyncio.Future[None]]] = []

    # --- what a client may ask -------------------------------------------------------------------------------

    def now_ms(self) -> int:
        """House time; no later stamp is below it, also when the clock is stepped back."""
        wall = int((asyncio.get_running_loop().time() + self.wall_offset_s) * 1000)
        self._floor_ms = max(self._floor_ms, wall)
        return self._floor_ms

    def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        """Write; raises BusUnavailable at the bound."""
        if len(self.live[stream]) + len(payloads) > BOUND_ENTRIES:
            self.refused += len(payloads)
            raise BusUnavailable(f"stream {stream} is full")
        made = []
        for payload in payloads:
            stamp = self._stamp(stream)
            entry = Entry(stamp, stream, payload)
            self.live[stream].append(entry)
            self.log[stream].append(entry)
            self.on_disk[stream].append(entry)
            made.append(stamp)
        self.written += len(made)
        self.most_entries = max(self.most_entries, len(self.live[stream]))
        self._wake(stream)
        return made

    def read(self, after: Mapping[int, Stamp], limit: int) -> list[Entry]:
        """Up to ``limit`` entries a stream after its position."""
        found: list[Entry] = []
        for stream, stamp in after.items():
            entries = self.live[stream]
            first = bisect_right(entries, stamp, key=_stamp_of)
            found.extend(entries[first : first + limit])
        return found

    def trim(self, stream: int, before: Stamp) -> int:
        """Drop what is before ``before``."""
        count = bisect_left(self.live[stream], before, key=_stamp_of)
        if count:
            self.trimmed[stream] = max(self.trimmed[stream], self.live[stream][count - 1].stamp)
            del self.live[stream][:count]
        return count

    def compact(self) -> bool:
        """Every entry that is still kept, on disk too: done at once every second time, as if it took a while."""
        self.rewriting = not self.rewriting
        if not self.rewriting:
            self.on_disk = [list(entries) for entries in self.live]
        return not self.rewriting

    def replication_id(self) -> str:
        """Another one after each failover."""
        return f"{self.generation:016x}"

    async def news(self, streams: frozenset[int]) -> None:
        """Wait for an entry on one of these streams."""
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append((streams, future))
        await future

    def lease_store(self) -> MemoryLeaseStore:
        """The leases, on the server's *steady* clock. Redis expires keys by its wall clock: a step forward there could
        hand a lease on early (not simulated; relays and outputs are fenced by the epoch)."""
        self.leases.now_ms = asyncio.get_running_loop().time() * 1000
        return self.leases

    # --- what can happen to it --------------------------------------------------------------------------------

    def fail_over(self, lost_s: float, away_s: float, behind_s: float = 0.0) -> None:
        """The primary dies; its replica lacks the newest ``lost_s`` and the leases, answers after ``away_s``, and has a
        clock that is ``behind_s`` behind: of what was read before, it may give stamps again."""
        edge = Stamp(self.now_ms() - int(lost_s * 1000), 0)
        for stream in range(self.shards + 1):
            kept = bisect_left(self.log[stream], edge, key=_stamp_of)
            self.lost.extend(self.log[stream][kept:])
            del self.log[stream][kept:]
            del self.live[stream][bisect_left(self.live[stream], edge, key=_stamp_of) :]
            if behind_s:
                self._last[stream] = self.log[stream][-1].stamp if self.log[stream] else FIRST
        if behind_s:
            self.wall_offset_s -= behind_s
            self._floor_ms = max(last.ms for last in self._last)
            self.stamped_again_ms = min(self.stamped_again_ms, edge.ms - int(behind_s * 1000))
        self.losses += 1
        self.generation += 1
        self.leases.held.clear()
        self.away_until_s = asyncio.get_running_loop().time() + away_s

    def _stamp(self, stream: int) -> Stamp:
        now, last = self.now_ms(), self._last[stream]
        self._last[stream] = Stamp(now, 0) if now > last.ms else Stamp(last.ms, last.n + 1)
        return self._last[stream]

    def _wake(self, stream: int) -> None:
        kept = []
        for streams, future in self._waiting:
            if stream not in streams:
                kept.append((streams, future))
            elif not future.done():
                future.set_result(None)
        self._waiting = kept


def _stamp_of(entry: Entry) -> Stamp:
    return entry.stamp


@dataclass
class Wire:
    """A host's connection to the server: its delays and its state now."""

    server: Server
    dice: random.Random
    world: contextvars.Context
    delay_s: float = 0.002
    state: Link = Link.GOOD
    last_arrival_s: float = 0.0

    async def ask(self, work: Callable[[], Any], *, part: Callable[[], Any] | None = None, limit_s: float) -> Any:
        """Send a request and wait for its answer; ``part`` is what is carried out when the connection breaks."""
        if self.state is Link.REFUSED:
            await asyncio.sleep(self._hop_s())
            raise BusUnavailable("connection refused")
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[Any] = loop.create_future()
        state = self.state
        if state is not Link.MUTE:
            # one connection: requests arrive in order
            self.last_arrival_s = max(loop.time() + self._hop_s(), self.last_arrival_s)
            loop.call_at(self.last_arrival_s, self._arrive, state, work, part, answer, context=self.world)
        try:
            async with asyncio.timeout(limit_s):
                return await answer
        except TimeoutError:
            raise BusUnavailable("no answer in time") from None

    def _hop_s(self) -> float:
        slow = self.dice.uniform(0.05, 0.3) if self.state is Link.SLOW else 0.0
        return self.delay_s * self.dice.uniform(0.5, 2.0) + slow

    def _arrive(
        self, state: Link, work: Callable[[], Any], part: Callable[[], Any] | None, answer: asyncio.Future[Any]
    ) -> None:
        """At the server. A stalled server carries it out when it goes on; one that is away never does."""
        loop, server = asyncio.get_running_loop(), self.server
        now = loop.time()
        if server.over:
            _answer(answer, None, BusUnavailable("the concert is over"))
        elif now < server.stalled_until_s:
            loop.call_at(server.stalled_until_s, self._arrive, state, work, part, answer, context=self.world)
        elif now < server.away_until_s:
            loop.call_later(self._hop_s(), _answer, answer, None, BusUnavailable("away"), context=self.world)
        elif state is Link.PARTIAL:
            (part or work)()
            loop.call_later(self._hop_s(), _answer, answer, None, BusUnavailable("broken"), context=self.world)
        else:
            self._carry_out(state, work, answer)

    def _carry_out(self, state: Link, work: Callable[[], Any], answer: asyncio.Future[Any]) -> None:
        found, error = None, None
        try:
            found = work()
        except BusUnavailable as refused:
            error = refused
        if state is not Link.DEAF:
            asyncio.get_running_loop().call_later(self._hop_s(), _answer, answer, found, error, context=self.world)


def _answer(answer: asyncio.Future[Any], found: Any, error: Exception | None) -> None:
    if answer.done():
        return
    if error is not None:
        answer.set_exception(error)
    else:
        answer.set_result(found)


class SimulatedBus:
    """relay.bus.Bus for one host."""

    def __init__(self, wire: Wire) -> None:
        self._wire, self._server = wire, wire.server
        self.shards = wire.server.shards

    async def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        """See Bus.append."""
        server, count = self._server, self._wire.dice.randrange(len(payloads)) if len(payloads) > 1 else 0
        made: list[Stamp] = await self._wire.ask(
            lambda: server.append(stream, payloads), part=lambda: server.append(stream, payloads[:count]),
            limit_s=COMMAND_LIMIT_S,
        )  # fmt: skip
        return made

    async def read(self, after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
        """See Bus.read."""
        server, positions = self._server, dict(after)
        found: list[Entry] = await self._wire.ask(lambda: server.read(positions, limit), limit_s=COMMAND_LIMIT_S)
        if found or wait_s <= 0:
            return found
        try:
            async with asyncio.timeout(wait_s):
                await server.news(frozenset(positions))
        except TimeoutError:
            return []
        found = await self._wire.ask(lambda: server.read(positions, limit), limit_s=COMMAND_LIMIT_S)
        return list(found)

    async def now_ms(self) -> int:
        """See Bus.now_ms."""
        return int(await self._wire.ask(self._server.now_ms, limit_s=COMMAND_LIMIT_S))

    async def trim(self, stream: int, before: Stamp) -> int:
        """See Bus.trim."""
        return int(await self._wire.ask(lambda: self._server.trim(stream, before), limit_s=COMMAND_LIMIT_S))

    async def compact(self) -> bool:
        """See Bus.compact."""
        return bool(await self._wire.ask(self._server.compact, limit_s=COMMAND_LIMIT_S))

    async def replication_id(self) -> str:
        """See Bus.replication_id."""
        return str(await self._wire.ask(self._server.replication_id, limit_s=COMMAND_LIMIT_S))

    def statistics(self) -> BusStatistics:
        """See Bus.statistics."""
        server = self._server
        return BusStatistics(entries=sum(map(len, server.live)), written=server.written, refused=server.refused)

    async def close(self) -> None:
        """Nothing to release."""


class SimulatedLeases:
    """aggregator.leases.LeaseStore for one host: a MemoryLeaseStore at the other end of its wire."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire

    async def acquire(self, name: str, holder: str, ttl_ms: int) -> int:
        """See LeaseStore.acquire."""
        return int(await self._ask(lambda store: store.acquire(name, holder, ttl_ms)))

    async def release(self, name: str, holder: str) -> None:
        """See LeaseStore.release."""
        await self._ask(lambda store: store.release(name, holder))

    async def remember(self, name: str, value: str) -> str:
        """See LeaseStore.remember."""
        return str(await self._ask(lambda store: store.remember(name, value)))

    async def _ask(self, work: Callable[[MemoryLeaseStore], Coroutine[Any, Any, Any]]) -> Any:
        server = self._wire.server
        return await self._wire.ask(lambda: _at_once(work(server.lease_store())), limit_s=COMMAND_LIMIT_S)


def _at_once(work: Coroutine[Any, Any, Any]) -> Any:
    """The result of a coroutine that never waits."""
    try:
        work.send(None)
    except StopIteration as done:
        return done.value
    raise AssertionError("the in-process lease store waited")

"""Portions: the 16 shards cut into a fixed number of runs, and the engines of those that one aggregator computes. Pure.

A portion is what changes hands: it has one owner, who publishes what its listeners are like at each tick, and one warm
follower, who computes the same and publishes nothing. Each has an engine of its own, so that taking over is a change of
role, handing over moves no listener between arrays, and a checkpoint is of one portion. All engines of an aggregator
stand at the same tick; the price is what a tick costs before it has seen a listener, once a portion (about 2 ms).

:class:`Portions` looks to the service like one engine: positions to read from, entries in, counters out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from aggregator.engine import USES_HZ, Engine
from aggregator.snapshot import PartSnapshot
from relay.bus import SHARDS
from relay.entries import FIRST, Entry, Stamp


def shards_of(portion: int, of: int, shards: int = SHARDS) -> range:
    """The shards of one of ``of`` portions: runs of equal length, or of two that differ by one.

    Raises:
        ValueError: not 1 <= of <= shards, or no such portion.
    """
    if not 1 <= of <= shards or not 0 <= portion < of:
        raise ValueError(f"portion: found {portion} of {of}, allowed 0..{of - 1} of 1..{shards}")
    return range(portion * shards // of, (portion + 1) * shards // of)


@dataclass(slots=True)
class _Listeners:
    """What the service asks of an engine's listeners, over all portions."""

    portions: Portions

    @property
    def tombstones(self) -> set[int]:
        return set().union(*(e.listeners.tombstones for e in self.portions.engines.values()))


@dataclass(slots=True)
class _Parts:
    """The parts of the evening as the newest entries of any portion's streams have them."""

    portions: Portions

    @property
    def part_stamp(self) -> list[Stamp]:
        return [stamp for e in self.portions.engines.values() for stamp in e.shards_state.part_stamp]

    def newest_part(self) -> str:
        held = [e.shards_state for e in self.portions.engines.values()]
        return max(held, key=lambda s: max(s.part_stamp)).newest_part() if held else ""


@dataclass(slots=True)
class Portions:
    """The engines by portion, all at tick ``k``. ``own_counters`` and the like are sums; ``gone`` keeps what engines
    that were dropped had counted, so that no counter falls."""

    of: int
    t0_ms: int
    tick_hz: float
    k: int = -1
    epoch: int = 0
    shards: int = SHARDS
    engines: dict[int, Engine] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)

    @property
    def listeners(self) -> _Listeners:
        """As an engine's, for who was erased."""
        return _Listeners(self)

    @property
    def shards_state(self) -> _Parts:
        """As an engine's, for the part of the evening."""
        return _Parts(self)

    @property
    def cut(self) -> int:
        """The newest tick's cut; t0 before the first."""
        return self.cut_ms(self.k) if self.k >= 0 else self.t0_ms

    def cut_ms(self, k: int) -> int:
        """As Engine.cut_ms."""
        return self.t0_ms + int(-(-1000 * k // self.tick_hz))

    def used_at(self, k: int) -> int:
        """As Engine.used_at."""
        return k - k % max(1, int(self.tick_hz // USES_HZ))

    def add(self, portion: int, engine: Engine) -> None:
        """Compute this portion too, from the next tick on.

        Raises:
            ValueError: an engine of other shards, another evening, or at another tick.
        """
        found = (engine.owned, engine.t0_ms, engine.tick_hz, engine.k)
        right = (tuple(shards_of(portion, self.of, self.shards)), self.t0_ms, self.tick_hz, self.k)
        if found != right:
            raise ValueError(f"portion {portion}: found (shards, t0, rate, tick) {found}, expected {right}")
        self.engines[portion] = engine

    def drop(self, portion: int) -> None:
        """Compute it no longer."""
        for name, count in self.engines.pop(portion).counters.items():
            self.gone[name] = self.gone.get(name, 0) + count

    def streams(self) -> list[int]:
        """What is read: the computed portions' shards and the house's stream."""
        return [*sorted(s for p in self.engines for s in shards_of(p, self.of, self.shards)), self.shards]

    def ingest(self, entries: Sequence[Entry]) -> None:
        """Each engine gets what is of its streams."""
        for engine in self.engines.values():
            streams = {*engine.owned, self.shards}
            engine.ingest([e for e in entries if e.stream in streams])

    def tick(self, k: int) -> Iterator[tuple[int, PartSnapshot]]:
        """What each computed portion says at tick k, one after the other: the first can be published while the next is
        computed. All are, whether or not the caller takes them in hand one by one."""
        self.k = k
        for portion in sorted(self.engines):
            yield portion, self.engines[portion].tick(k)

    def positions(self) -> dict[int, Stamp]:
        """As Engine.positions; of the house's stream the least of all engines'."""
        made: dict[int, Stamp] = {}
        for engine in self.engines.values():
            used = engine.positions()
            if self.shards in made or self.shards in used:
                least = used.get(self.shards, FIRST)
                used[self.shards] = min(made.get(self.shards, least), least)
            made |= used
        return made

    def rewind(self, stream: int, stamp: Stamp) -> None:
        """As Engine.rewind, for whoever reads this stream."""
        for engine in self.engines.values():
            if stream == self.shards or stream in engine.owned:
                engine.rewind(stream, stamp)

    @property
    def own_counters(self) -> dict[str, int]:
        """Sums by name. Every engine reads the house's stream: what is told there to all counts once a portion."""
        return {"erasures": 0, "withdrawals": 0} | _sum([*(e.own_counters for e in self.engines.values()), self.gone])

    @property
    def counters(self) -> dict[str, int]:
        """Sums by name."""
        return _sum([*(e.counters for e in self.engines.values()), self.gone])

    def all_counters(self) -> dict[str, int]:
        """As Engine.all_counters; both gauges are there without any portion, too."""
        return {"waiting_listeners": 0, "pending_bytes": 0, "entries_refused": 0} | _sum(
            [*(e.all_counters() for e in self.engines.values()), self.gone]
        )


def _sum(counts: Sequence[dict[str, int]]) -> dict[str, int]:
    total: dict[str, int] = {}
    for one in counts:
        for name, count in one.items():
            total[name] = total.get(name, 0) + count
    return total

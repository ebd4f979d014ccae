"""The parts of each tick as they come in, until the tick can be merged; and the list of what was. Pure.

A tick is due when all its parts are there, or 100 ms after its cut with those that are: the shards of the others are
*missing*, their seats are held (aggregator.seat_glide). Who comes to a tick late itself (a bus that stalled for all, a
slow disk) gives the others 100 ms from then. Ticks become due in order. One that comes up more than a second late is
not merged at all (nobody would be sent it): then all shards are missing, and so they are where no part came.

Fencing: a part carries the token of its portion's lease. Once a higher one has been seen, parts with a lower one are
refused, whenever they come: an owner that was stopped and woken cannot speak for its portion again.

What was missing is written down when it changes, as an entry (``relay.entries.Merged``: from tick k on these shards
were left out), so that a replay can leave out the same: :class:`Lists`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from aggregator.parts_wire import ToldPart
from aggregator.portions import shards_of
from aggregator.snapshot import Links, PartSnapshot
from relay.bus import SHARDS
from relay.entries import Merged

WAIT_MS = 100  # after the cut: twice what a tick of 10,000 listeners and its way through the bus take together
LATE_MS = 1000  # contract 4
MAX_AHEAD = 64  # ticks that wait, over 1.4 s at the highest rate: who is further ahead than that has another clock
REMEMBERED_S = 10.0  # a take-over is done in two, an outage that lasts longer leaves glides that have run out
MAX_LISTS = 64
NO_LINKS: Links = {}


@dataclass(frozen=True, slots=True)
class Collected:
    """What tick k is merged from, by portion ascending; no parts: it is not merged."""

    k: int
    parts: tuple[PartSnapshot, ...]
    missing: tuple[int, ...]


@dataclass(slots=True)
class CollectorCounters:
    """Parts by what became of them; ``ticks_*`` merged whole, merged without some shards, not merged."""

    parts_taken: int = 0
    parts_late: int = 0
    parts_early: int = 0
    parts_fenced: int = 0
    parts_repeated: int = 0
    ticks_whole: int = 0
    ticks_partial: int = 0
    ticks_not_merged: int = 0


@dataclass(slots=True)
class _Slot:
    token: int
    part: PartSnapshot


class Collector:
    """Waits for ticks from ``first`` on. ``cut_ms`` as the engine's; times are house time."""

    def __init__(self, of: int, first: int, t0_ms: int, tick_hz: float, shards: int = SHARDS) -> None:
        self.of, self.next, self.t0_ms, self.tick_hz, self.shards = of, first, t0_ms, tick_hz, shards
        self.counters = CollectorCounters()
        self.tokens = [0] * of
        self._ticks: dict[int, dict[int, _Slot]] = {}
        self._came: dict[int, float] = {}
        self._links: dict[int, tuple[int, int, Links]] = {}  # by portion: token, mark, table

    def cut_ms(self, k: int) -> int:
        """As Engine.cut_ms."""
        return self.t0_ms + int(-(-1000 * k // self.tick_hz))

    def offer(self, portion: int, token: int, part: PartSnapshot) -> bool:
        """Take a part under its lease's token; False where it is refused (counted)."""
        if token < self.tokens[portion]:
            self.counters.parts_fenced += 1
            return False
        self.tokens[portion] = token
        if part.k < self.next:
            self.counters.parts_late += 1
            return False
        if part.k >= self.next + MAX_AHEAD:
            self.counters.parts_early += 1
            return False
        tick = self._ticks.setdefault(part.k, {})
        known = tick.get(portion)
        if known is not None and known.token >= token:
            self.counters.parts_repeated += 1
            return False
        tick[portion] = _Slot(token, part)
        self.counters.parts_taken += 1
        return True

    def offer_told(self, told: ToldPart) -> bool:
        """The same for a part off the wire: its linkage is the one told last under the same mark."""
        portion, token = told.head.portion, told.head.token
        if told.links is not None and token >= self.tokens[portion]:
            known = self._links.get(portion)
            if known is None or known[:2] != (token, told.mark):  # the same object as long as nothing changed
                self._links[portion] = token, told.mark, told.links or NO_LINKS
        kept = self._links.get(portion, (-1, -1, NO_LINKS))
        fits = kept[:2] == (token, told.mark) and all(t.shape[1] == len(told.part.seat) for t in kept[2].values())
        return self.offer(portion, token, replace(told.part, links=kept[2] if fits else NO_LINKS))

    def waits(self) -> int:
        """Ticks of which some part is there."""
        return len(self._ticks)

    def came(self, k: int, now_ms: float) -> None:
        """One's own parts of tick k are computed and offered, at this house time."""
        if self.next <= k < self.next + MAX_AHEAD:
            self._came[k] = now_ms

    def due_ms(self) -> float:
        """House time at which the next tick is merged with what there is; given up, where one has not come to it."""
        cut = self.cut_ms(self.next)
        came = self._came.get(self.next)
        return cut + LATE_MS if came is None else max(cut, came) + WAIT_MS

    def due(self, now_ms: float) -> list[Collected]:
        """The ticks that can be merged now, in order; each once."""
        made: list[Collected] = []
        while True:
            tick = self._ticks.get(self.next, {})
            if len(tick) < self.of and now_ms < self.due_ms():
                return made
            self._ticks.pop(self.next, None)
            self._came.pop(self.next, None)
            late = now_ms >= self.cut_ms(self.next) + LATE_MS
            made.append(self._collected(self.next, {} if late else tick))
            self.next += 1

    def _collected(self, k: int, tick: dict[int, _Slot]) -> Collected:
        gone = [s for i in range(self.of) if i not in tick for s in shards_of(i, self.of, self.shards)]
        name = "ticks_not_merged" if not tick else "ticks_partial" if gone else "ticks_whole"
        setattr(self.counters, name, getattr(self.counters, name) + 1)
        return Collected(k, tuple(tick[i].part for i in sorted(tick)), tuple(gone))


class ListWriter:
    """What the lead has to write: an entry where the list changes, and as a reign begins the changes that this one saw
    in the last ten seconds, for what it publishes goes on from them. Bounded: of more than 64 entries that wait the
    oldest are lost, counted (a bus that is away that long takes no parts either)."""

    def __init__(self, tick_hz: float) -> None:
        self.lost = self.written = 0
        self._keep = int(REMEMBERED_S * tick_hz)
        self._epoch: int | None = None
        self._missing: tuple[int, ...] = ()
        self._changes: deque[tuple[int, tuple[int, ...]]] = deque(maxlen=MAX_LISTS)
        self._waiting: deque[Merged] = deque(maxlen=MAX_LISTS)

    def note(self, collected: Collected, epoch: int | None) -> None:
        """A tick was merged, or left out, by the lead of this epoch; None: by a spare."""
        k, missing, begins = collected.k, collected.missing, epoch != self._epoch
        if missing != self._missing or begins:
            self._changes.append((k, missing))
        while self._changes and self._changes[0][0] < k - self._keep:
            self._changes.popleft()
        if begins:
            self._waiting.clear()
        if epoch is not None and (begins or missing != self._missing):
            for at, gone in list(self._changes) if begins else [(k, missing)]:
                self.lost += len(self._waiting) == MAX_LISTS
                self._waiting.append(Merged(at, gone, epoch))
        self._epoch, self._missing = epoch, missing

    def first(self) -> Merged | None:
        """What to write next; :meth:`done` once it is accepted."""
        return self._waiting[0] if self._waiting else None

    def done(self, entry: Merged) -> None:
        """This one is on the bus. While it was written a reign may have ended, or the bound have dropped it."""
        if self._waiting and self._waiting[0] is entry:
            self._waiting.popleft()
        self.written += 1


class Lists:
    """What a replay leaves out, from the entries of the house's stream in their order."""

    def __init__(self, entries: Iterable[Merged]) -> None:
        self._from: list[Merged] = []
        epoch = 0
        for entry in entries:
            if entry.epoch < epoch:
                continue  # a lead that was woken wrote on after the next one had begun
            epoch = entry.epoch  # what is said later counts, also by the same lead: its lease may have lapsed meanwhile
            self._from = [e for e in self._from if e.k < entry.k]
            self._from.append(entry)

    def missing(self, k: int) -> tuple[int, ...]:
        """The shards that were left out of tick k."""
        at = bisect_right(self._from, k, key=lambda entry: entry.k)
        return self._from[at - 1].missing if at else ()

    def collected(self, k: int, parts: Sequence[PartSnapshot]) -> Collected:
        """Of a replay's parts of tick k, one a portion, those that were merged."""
        gone = self.missing(k)
        return Collected(k, tuple(p for p in parts if not set(p.shards) & set(gone)), gone)

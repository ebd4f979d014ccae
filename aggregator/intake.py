"""From the bus's packet batches to samples in order: routing, duplicates, reordering, gaps, the phone's clock. Pure.

All packets of a tick are opened together; the number of numpy calls does not depend on how many there are. A packet's
key is (listener, stream, sequence): strangers, listeners without consent and streams that lost their claim are counted
and dropped. Packets of a row that arrive in order (nearly all) never leave the arrays; the others go through
:mod:`aggregator.intake_wait`.

Arrival = stamp - age. Samples over 10 s old on arrival, by the clock's mapping, are a gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator import clock
from aggregator.clock import ClockState
from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column
from aggregator.intake_batches import Arrivals, open_batches
from aggregator.intake_open import Opened, gather, open_packets
from aggregator.intake_wait import (
    MAX_SKIPS,
    TICK_PACKETS,
    TICK_SPAN_US,
    WINDOW_PACKETS,
    Held,
    Waiting,
    consume,
    release,
)
from aggregator.listeners import Listeners
from relay.entries import Entry

TOO_OLD_MS = 10_000.0  # contract 5
COUNTERS = (
    "packets", "strangers", "without_consent", "old_stream", "entry_malformed", "packet_malformed", "duplicates",
    "late", "gaps", "gap_packets", "skipped", "backlog_dropped", "too_old", "clock_jumps", "unknown_channel",
    "packet_too_long",
)  # fmt: skip
_ALL, _ONE = np.uint64(0xFFFFFFFFFFFFFFFF), np.uint64(1)


@dataclass(slots=True)
class IntakeState(Columns):
    """Where each listener's stream stands. ``seen`` bit i: sequence ``highest - i`` has been taken in."""

    head: Ints = column(doc="next sequence number to use", dtype=np.int64)
    highest: Ints = column(doc="highest sequence number taken in; -1 none", dtype=np.int64, fill=-1)
    seen: NDArray[np.uint64] = column(doc="bitmap of the newest 64 sequence numbers", dtype=np.uint64)
    slow: Bools = column(doc="packets of this row wait outside the arrays", dtype=np.bool_)
    anew: Bools = column(doc="the next packet begins a new stream", dtype=np.bool_, fill=True)


@dataclass(frozen=True, slots=True)
class Samples:
    """One channel kind's samples of a tick: ``rows`` (r,) distinct, ascending, each with ``count`` samples from
    ``first`` on in ``time_us`` (phone clock) and ``value`` (own unit, NaN missing); ``jumped`` (r,) restart."""

    rows: Rows
    first: Ints
    count: Ints
    time_us: Ints
    value: Floats
    jumped: Bools


@dataclass(frozen=True, slots=True)
class Taken:
    """What a tick uses: samples by kind, and the rows heard with their newest stamp (distinct, ascending)."""

    samples: dict[int, Samples]
    rows: Rows
    stamp_ms: Ints


class Intake:
    """Order and clock of every listener's stream. ``offer`` batches as they are read, ``take`` once a tick."""

    def __init__(self, listeners: Listeners) -> None:
        self.listeners = listeners
        self.state = IntakeState.allocate(listeners.capacity)
        self.clock = ClockState.allocate(listeners.capacity)
        listeners.attach(self.state)
        listeners.attach(self.clock)
        self.waiting: dict[int, Waiting] = {}
        self.counters: dict[str, int] = dict.fromkeys(COUNTERS, 0)
        self._arrived: list[Arrivals] = []
        self._offered: set[int] = set()

    def offer(self, entries: Sequence[Entry]) -> None:
        """Route packet batches by the claims and consents that hold now."""
        arrivals, malformed = open_batches(entries)
        self.counters["entry_malformed"] += malformed
        self.counters["packets"] += len(arrivals.start)
        if not len(arrivals.start):
            return
        rows = self.listeners.lookup(arrivals.listener)
        table = self.listeners.table
        known = rows >= 0
        current = table.stream[rows] == arrivals.stream
        allowed = table.consent[rows]
        self.counters["strangers"] += int(np.count_nonzero(~known))
        self.counters["without_consent"] += int(np.count_nonzero(known & ~allowed))
        self.counters["old_stream"] += int(np.count_nonzero(known & allowed & ~current))
        self._arrived.append(arrivals.select(rows, known & current & allowed))

    def offered(self, row: int) -> bool:
        """True when packets of this row wait for the next ``take``."""
        return any(bool((a.row == row).any()) for a in self._arrived)

    def begun(self, row: int) -> bool:
        """True when a packet of the row has been taken in, or waits, since :meth:`start`."""
        return bool(self.state.seen[row]) or row in self.waiting or self.offered(row)

    def start(self, row: int, lowest: int) -> None:
        """A new stream begins at sequence ``lowest``: clock and order start anew."""
        at = np.array([row])
        self.drop(row)
        self.state.clear(at)
        clock.forget(self.clock, at)
        self.state.head[row], self.state.highest[row] = lowest, lowest - 1

    def drop(self, row: int) -> None:
        """Forget packets of the row that have not been used (before the row is cleared)."""
        self.waiting.pop(row, None)
        self.state.slow[row] = False
        for arrivals in self._arrived:
            arrivals.row[arrivals.row == row] = -1

    def skip(self, row: int, first: int, last: int) -> None:
        """The phone discarded packets ``first`` to ``last``: no waiting for them."""
        if not 0 <= first <= last < 1 << 32 or last < self.state.head[row]:
            return
        waiting = self.waiting.setdefault(row, Waiting())
        if len(waiting.skips) < MAX_SKIPS:
            waiting.skips.append((first, last))
        self.state.slow[row] = True

    def take(self, now_ms: int, row: int = -1) -> Taken:
        """Everything that a tick with its cut at ``now_ms`` may use, in order of row and sequence; of one ``row`` only,
        where it is given: the others are not given a second turn in their tick by what happens to this one."""
        arrivals = Arrivals.join(self._arrived)
        self._arrived = []
        if row >= 0:
            mine = arrivals.row == row
            self._arrived = [arrivals.select(arrivals.row, ~mine)]
            arrivals = arrivals.select(arrivals.row, mine)
        opened = open_packets(arrivals, self.listeners, self.counters)
        usable = self._order(opened)
        extra = self._slow_packets(now_ms, sorted(self.waiting) if row < 0 else [row] if row in self.waiting else [])
        if extra is not None:
            usable = np.concatenate((usable, len(opened.row) + np.arange(len(extra.row))))
            opened = opened.join(extra)
            usable = usable[np.argsort(opened.row[usable], kind="stable")]
        return self._use(opened, usable)

    def _order(self, opened: Opened) -> Rows:
        """Packets that may be used at once, by row and sequence; all others of slow rows go to ``waiting``."""
        state = self.state
        order = (opened.ok & (opened.row >= 0)).nonzero()[0]
        key = (opened.row[order] << 32) | opened.sequence[order]
        by_key = np.argsort(key, kind="stable")
        order, key = order[by_key], key[by_key]
        row, sequence = opened.row[order], opened.sequence[order]
        twice = ~_firsts(key)
        behind = sequence < state.head[row]
        if np.count_nonzero(twice) or np.count_nonzero(behind):
            self._count_behind(row[behind & ~twice], sequence[behind & ~twice])
            self.counters["duplicates"] += int(np.count_nonzero(twice))
            fresh = ~(twice | behind)
            order, row, sequence = order[fresh], row[fresh], sequence[fresh]
        if not len(order):
            return order
        begin, count = _runs(row)
        rows = row[begin]
        if len(begin) == len(row):
            simple = (sequence == state.head[row]) & ~state.slow[row]
        else:
            rank = np.arange(len(row)) - begin.repeat(count)
            simple = np.logical_and.reduceat(sequence == state.head[row] + rank, begin) & ~state.slow[rows]
            span = opened.time_us[order[begin + count - 1]] - opened.time_us[order[begin]]
            simple &= (count <= TICK_PACKETS) & (span >= 0) & (span < TICK_SPAN_US)
        if np.count_nonzero(simple) == simple.size:
            self._note_run(rows, count)
            return order
        self._note_run(rows[simple], count[simple])
        mine = simple.repeat(count)
        for i in order[~mine]:
            self._put(int(opened.row[i]), opened.held(int(i)))
        kept: Rows = order[mine]
        return kept

    def _note_run(self, rows: Rows, count: Ints) -> None:
        """``count`` packets in order from each row's head on: head, highest and bitmap move together."""
        state = self.state
        head = state.head[rows] + count
        state.head[rows] = head
        ahead = head - 1 - state.highest[rows]
        seen = state.seen[rows]
        if np.count_nonzero((ahead == count) & (count < 64)) == len(count):
            shift = count.astype(np.uint64)
            seen += _ONE  # (seen + 1) * 2^count - 1: moved up, the new bits set; wraps as it should
            seen <<= shift
            seen -= _ONE
        else:
            shift = np.minimum(ahead, 63).astype(np.uint64)
            moved = np.where(ahead < 64, seen << shift, np.uint64(0))
            run = np.where(count < 64, (_ONE << np.minimum(count, 63).astype(np.uint64)) - _ONE, _ALL)
            np.bitwise_or(moved, run, out=seen)
        state.seen[rows] = seen
        state.highest[rows] = head - 1

    def _count_behind(self, row: Rows, sequence: Ints) -> None:
        """Packets below the head: a duplicate when it was seen, else late: it fills a hole already stepped over."""
        back = self.state.highest[row] - sequence
        bit = (self.state.seen[row] >> np.clip(back, 0, 63).astype(np.uint64)) & np.uint64(1)
        again = (back >= WINDOW_PACKETS) | (bit == 1)
        self.counters["duplicates"] += int(np.count_nonzero(again))
        late = ~again
        self.counters["late"] += int(np.count_nonzero(late))
        for r, b in zip(row[late], back[late], strict=True):
            self.state.seen[r] |= np.uint64(1) << np.uint64(b)

    def _put(self, row: int, held: Held) -> None:
        """One packet onto the slow path."""
        waiting = self.waiting.setdefault(row, Waiting())
        self.state.slow[row] = True
        if held.sequence in waiting.ahead:
            self.counters["duplicates"] += 1
            return
        waiting.ahead[held.sequence] = held
        self._mark(row, held.sequence)
        if len(waiting.ahead) > WINDOW_PACKETS:
            self.state.head[row] = release(waiting, int(self.state.head[row]), held.stamp_ms, self.counters)

    def _reach(self, row: int, sequence: int) -> None:
        """The highest number moves up to ``sequence``, which itself is not thereby seen."""
        state = self.state
        step = sequence - int(state.highest[row])
        if step > 0:
            moved = int(state.seen[row]) << step if step < WINDOW_PACKETS else 0
            state.highest[row], state.seen[row] = sequence, np.uint64(moved & int(_ALL))

    def _mark(self, row: int, sequence: int) -> None:
        """Sequence number ``sequence`` has been taken in."""
        self._reach(row, sequence)
        back = int(self.state.highest[row]) - sequence
        if back < WINDOW_PACKETS:
            self.state.seen[row] |= np.uint64(1 << back)

    def _slow_packets(self, now_ms: int, rows: Sequence[int]) -> Opened | None:
        """What the slow path gives of these rows to this tick, opened; None when nothing (nearly always)."""
        taken: list[tuple[int, Held]] = []
        for row in rows:
            waiting = self.waiting[row]
            self.state.head[row] = release(waiting, int(self.state.head[row]), now_ms, self.counters)
            self._reach(row, int(self.state.head[row]) - 1)
            taken.extend((row, held) for held in consume(waiting))
            if waiting.idle:
                del self.waiting[row]
                self.state.slow[row] = False
        if not taken:
            return None
        arrivals = Arrivals.of_held(taken, self.listeners.table)
        return open_packets(arrivals, self.listeners, self.counters)

    def _use(self, opened: Opened, usable: Rows) -> Taken:
        """Clock, age limit, and the samples of the packets that remain."""
        if not len(usable):
            return Taken({}, np.empty(0, np.intp), np.empty(0, np.int64))
        usable, jumped = self._clocks(opened, usable)
        row = opened.row[usable]
        begin, _ = _runs(row)
        rows = row[begin]
        anew = self.state.anew[rows]
        self.state.anew[rows] = False
        if np.count_nonzero(jumped):
            anew |= jumped[begin]
            clock.forget(self.clock, rows[jumped[begin]])
        clock.follow(self.clock, rows, begin, opened.time_us[usable], opened.arrivals.arrival_ms[usable])
        time_ms = opened.time_us[usable].astype(np.float64) * 1e-3
        house = clock.to_house(self.clock, row, time_ms)
        old = opened.arrivals.stamp_ms[usable] - house > TOO_OLD_MS
        if np.count_nonzero(old):
            self.counters["too_old"] += int(np.count_nonzero(old))
            usable = usable[~old]
            begin, _ = _runs(opened.row[usable])
        marks = np.zeros(self.listeners.capacity, np.bool_)
        marks[rows] = anew
        heard = opened.row[usable][begin]
        stamp = opened.arrivals.stamp_ms[usable]
        newest = np.maximum.reduceat(stamp, begin) if len(begin) else stamp
        return Taken(_by_kind(opened, usable, marks), heard, newest)

    def _clocks(self, opened: Opened, usable: Rows) -> tuple[Rows, Bools]:
        """Find jumps of the phones' clocks. A jump behind a row's first packet waits for the next tick: what a kernel
        is given a tick is of one clock."""
        row = opened.row[usable]
        first = _firsts(row)
        jumped = clock.jumps(self.clock, row, opened.time_us[usable], opened.arrivals.arrival_ms[usable], first)
        self.counters["clock_jumps"] += int(np.count_nonzero(jumped & first))
        inner = jumped & ~first
        if not np.count_nonzero(inner):
            return usable, jumped
        keep = np.ones(len(usable), np.bool_)
        for r in np.unique(row[inner]):
            mine = np.flatnonzero(row == r)
            later = mine[np.argmax(inner[mine]) :]
            keep[later] = False
            waiting = self.waiting.setdefault(int(r), Waiting())
            waiting.backlog.extendleft(opened.held(int(i)) for i in usable[later][::-1])
            self.state.slow[r] = True
        return usable[keep], jumped[keep]


def _firsts(key: Rows) -> Bools:
    """Where a run of equal numbers begins."""
    first = np.empty(len(key), np.bool_)
    first[:1] = True
    np.not_equal(key[1:], key[:-1], out=first[1:])
    return first


def _runs(row: Rows) -> tuple[Rows, Ints]:
    """Where each run of equal rows begins, and how long it is."""
    begin = _firsts(row).nonzero()[0]
    count = np.empty(len(begin), np.int64)
    np.subtract(begin[1:], begin[:-1], out=count[:-1])
    if len(begin):
        count[-1] = len(row) - begin[-1]
    return begin, count


def _by_kind(opened: Opened, usable: Rows, anew: Bools) -> dict[int, Samples]:
    """Samples of the usable packets by channel kind; ``anew`` by row."""
    made = {}
    for kind, run in gather(opened, usable).items():
        rows, counts = run.row, run.count
        if np.count_nonzero(rows[1:] == rows[:-1]):
            begin, _ = _runs(rows)
            rows, counts = rows[begin], np.add.reduceat(counts, begin)
        made[kind] = Samples(rows, counts.cumsum() - counts, counts, run.time_us, run.value, anew[rows])
    return made

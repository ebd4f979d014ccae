"""The rows: one a listener, axis 0 of every column. Who they are, their channels, and which stream counts. Pure.

A row is given at the first claim and kept for the evening, unless the listener is erased; over the bound claims are
refused.
Results never depend on which row a listener has: kernels are elementwise and whatever leaves the engine is ordered by
seat, by listener number, or is an integer sum.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column
from relay.entries import Channel, Join, Stamp
from relay.seat_plan import MAX_SEATS
from relay.wire import MAX_BLOCKS

GROWTH_ROWS = 1024  # a block of rows: growing is rare, and a small hall fits into the first
MAX_LISTENERS = 100_000  # five arenas; what bounds the engine's memory
MAX_PERFORMERS = 16  # a chamber ensemble; their extra channels live in a table of this many rows
MAX_EARLY_CONSENTS = 4096  # consents whose claim has not been read yet
MAX_MAKES = 4096  # makes remembered before those of nobody are forgotten
MAX_RATE_HZ = 1000.0  # muscle at 1 kHz is the fastest sensor that makes sense here
MIN_RATE_HZ = 0.01  # one sample in 100 s; slower is no signal


class Role(enum.IntEnum):
    """What a row stands for: only ``AUDIENCE`` is counted."""

    AUDIENCE = 0
    PERFORMER = 1
    TEST = 2
    BLANK = 3


ROLES = {"audience": Role.AUDIENCE, "performer": Role.PERFORMER, "test": Role.TEST, "blank": Role.BLANK}


class Kind(enum.IntEnum):
    """Which chain of kernels a channel feeds; ``NONE`` is recorded by the bus and not computed."""

    NONE = 0
    PULSE = 1
    SKIN = 2
    TEMPERATURE = 3
    MOTION = 4
    BREATH = 5
    MUSCLE = 6
    SCALAR_1 = 7
    SCALAR_2 = 8
    SCALAR_3 = 9
    SCALAR_4 = 10


KINDS = {
    "pulse": Kind.PULSE,
    "skin": Kind.SKIN,
    "temperature": Kind.TEMPERATURE,
    "motion": Kind.MOTION,
    "breath": Kind.BREATH,
    "muscle": Kind.MUSCLE,
}
SCALARS = (Kind.SCALAR_1, Kind.SCALAR_2, Kind.SCALAR_3, Kind.SCALAR_4)  # a performer's channels of other names
PERFORMER_ONLY = (Kind.BREATH, Kind.MUSCLE, *SCALARS)


@dataclass(slots=True)
class ListenerState(Columns):
    """Identity, claim, consent and channels of each row."""

    used: Bools = column(doc="a listener has this row", dtype=np.bool_)
    listener: NDArray[np.uint64] = column(doc="pseudonym", dtype=np.uint64)
    stream: NDArray[np.uint64] = column(doc="the stream of the newest claim", dtype=np.uint64)
    shard: Ints = column(doc="bus stream that carries the listener", dtype=np.int64, fill=-1)
    seat: Ints = column(doc="seat number from 1; 0 none", dtype=np.int64)
    role: NDArray[np.uint8] = column(doc="Role", dtype=np.uint8)
    slot: Ints = column(doc="row in the performers' small table; -1 none", dtype=np.int64, fill=-1)
    consent: Bools = column(doc="a stamped yes stands", dtype=np.bool_)
    answered: Bools = column(doc="consent was answered since the last claim", dtype=np.bool_)
    claim_ms: Ints = column(doc="stamp of the newest claim, ms", dtype=np.int64)
    claim_n: Ints = column(doc="stamp of the newest claim, counter", dtype=np.int64)
    channels: Ints = column(doc="channels that the hello named", dtype=np.int64)
    kind: NDArray[np.uint8] = column(doc="Kind by channel", tail=(MAX_BLOCKS,), dtype=np.uint8)
    step_us: Floats = column(doc="time between samples by channel, us", tail=(MAX_BLOCKS,), fill=1.0)
    scale: Floats = column(doc="value = raw * scale + offset", tail=(MAX_BLOCKS,), fill=1.0)
    offset: Floats = column(doc="see scale", tail=(MAX_BLOCKS,))
    make: Ints = column(doc="index into Listeners.makes: equal channels, equal make", dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Make:
    """Channels as one make of sensor has them: how many, and each one's kind, time between samples, scale, offset."""

    channels: int
    kind: tuple[int, ...]
    step_us: tuple[float, ...]
    scale: tuple[float, ...]
    offset: tuple[float, ...]


NO_MAKE = Make(0, (), (), (), ())


class Claimed(enum.Enum):
    """What a claim did."""

    REFUSED = "refused"
    NEW = "new"
    SAME = "same"  # the same stream again: a reconnect
    REPLACED = "replaced"  # another stream took the listener over: a reload, or another phone


@dataclass(slots=True)
class Listeners:
    """The rows and their index. ``attached`` are the other columns with one row a listener, grown and cleared alike;
    ``small`` those with one row a performer."""

    table: ListenerState = field(default_factory=lambda: ListenerState.allocate(GROWTH_ROWS))
    attached: list[Columns] = field(default_factory=list)
    small: list[Columns] = field(default_factory=list)
    row_of: dict[int, int] = field(default_factory=dict)
    free: list[int] = field(default_factory=list)
    used_rows: int = 0
    names: dict[int, str] = field(default_factory=dict)  # performer's name by slot
    scalar_names: dict[int, list[str]] = field(default_factory=dict)  # performer's scalar channels by slot
    tombstones: set[int] = field(default_factory=set)
    early: dict[int, bool] = field(default_factory=dict)
    limit: int = MAX_LISTENERS
    makes: list[Make] = field(default_factory=lambda: [NO_MAKE])
    make_of: dict[Make, int] = field(default_factory=dict)
    _keys: NDArray[np.uint64] | None = None
    _rows: Rows = field(default_factory=lambda: np.empty(0, np.intp))
    _first: Rows = field(default_factory=lambda: np.empty(0, np.intp))
    _shift: np.uint64 = field(default_factory=lambda: np.uint64(0))

    @property
    def capacity(self) -> int:
        return len(self.table.used)

    def attach(self, state: Columns, *, small: bool = False) -> None:
        """Let ``state`` grow and be cleared with the rows (``small``: with the performers' slots)."""
        (self.small if small else self.attached).append(state)
        state.grow(MAX_PERFORMERS if small else self.capacity)

    def lookup(self, listener: NDArray[np.uint64]) -> Rows:
        """Row of each listener, -1 for strangers: sorted keys, found by their leading bits, or by a binary search where
        another key has the same ones."""
        keys = self._sorted() if self._keys is None else self._keys
        if not len(keys):
            return np.full(len(listener), -1, np.intp)
        at = self._first.take((listener >> self._shift).view(np.int64))
        other = (keys.take(at) != listener).nonzero()[0]
        if len(other):
            at[other] = np.minimum(np.searchsorted(keys, listener[other]), len(keys) - 1)
        return np.where(keys.take(at) == listener, self._rows.take(at), -1)

    def _sorted(self) -> NDArray[np.uint64]:
        """The keys in order; beside them their rows and, by leading bits, the first key from there on. Pseudonyms are
        hashes: there are four to eight cells a key, so that few keys share one."""
        keys = np.fromiter(self.row_of, np.uint64, len(self.row_of))
        rows = np.fromiter(self.row_of.values(), np.intp, len(self.row_of))
        order = np.argsort(keys)
        self._keys, self._rows = keys[order], rows[order]
        bits = len(keys).bit_length() + 2
        self._shift = np.uint64(64 - bits)
        here = np.bincount((self._keys >> self._shift).view(np.int64), minlength=1 << bits)
        self._first = np.minimum(here.cumsum() - here, max(len(keys) - 1, 0))
        return self._keys

    def rows(self) -> Rows:
        """All rows in use, in ascending order."""
        return np.flatnonzero(self.table.used[: self.used_rows])

    def claim(self, event: Join, stamp: Stamp, shard: int) -> tuple[Claimed, int]:
        """Take a claim: the row is made or found and its identity and channels set. The newest stamp wins.

        Returns what happened and the row (-1 when refused: erased listener, unknown role, house full, older claim).
        """
        if not sane(event) or event.listener in self.tombstones:
            return Claimed.REFUSED, -1
        row = self.row_of.get(event.listener, -1)
        done = Claimed.SAME
        if row < 0:
            row = self._allocate()
            if row < 0:
                return Claimed.REFUSED, -1
            self._enter(row, event.listener)
            done = Claimed.NEW
        t = self.table
        if done is Claimed.SAME and stamp < (int(t.claim_ms[row]), int(t.claim_n[row])):
            return Claimed.REFUSED, -1
        if done is Claimed.SAME and int(t.stream[row]) != event.stream:
            done = Claimed.REPLACED
            t.consent[row] &= t.answered[row]  # consent follows the stream: an older answer was another person's
        t.answered[row] = False
        t.stream[row], t.shard[row] = event.stream, shard
        t.seat[row], t.role[row] = event.seat, ROLES[event.role]
        t.claim_ms[row], t.claim_n[row] = stamp
        self._set_slot(row, event)
        self._set_channels(row, event.channels)
        return done, row

    def answer(self, listener: int, yes: bool) -> int:
        """Take an answer to the consent text; returns the row, -1 when its claim has not been read yet."""
        if listener in self.tombstones:
            return -1
        row = self.row_of.get(listener, -1)
        if row >= 0:
            self.table.consent[row], self.table.answered[row] = yes, True
        else:
            if len(self.early) >= MAX_EARLY_CONSENTS:
                self.early.pop(next(iter(self.early)))
            self.early[listener] = yes
        return row

    def clear(self, row: int) -> None:
        """Nothing of the body remains in this row; identity and claim stay."""
        at = np.array([row])
        for state in self.attached:
            state.clear(at)
        slot = int(self.table.slot[row])
        if slot >= 0:
            for state in self.small:
                state.clear(np.array([slot]))

    def release(self, row: int) -> None:
        """Clear the row whole and give it back."""
        self.clear(row)
        self._free_slot(row)
        del self.row_of[int(self.table.listener[row])]
        self.table.clear(np.array([row]))
        self.free.append(row)
        self._keys = None

    def erase(self, listener: int) -> int:
        """Refuse the listener for the rest of the evening; returns the row that was released, -1 if none."""
        self.tombstones.add(listener)
        self.early.pop(listener, None)
        row = self.row_of.get(listener, -1)
        if row >= 0:
            self.release(row)
        return row

    def enter_rows(self, listeners: Iterable[int]) -> Rows:
        """Rows for listeners of a checkpoint, in its order."""
        made = []
        for listener in listeners:
            row = self._allocate()
            if row < 0:
                raise ValueError(f"more than {self.limit} listeners")
            self._enter(row, listener)
            made.append(row)
        return np.array(made, np.intp)

    def _enter(self, row: int, listener: int) -> None:
        self.row_of[listener] = row
        self.table.used[row], self.table.listener[row] = True, listener
        self.table.consent[row] = self.early.pop(listener, False)
        self._keys = None

    def _allocate(self) -> int:
        if self.free:
            return self.free.pop()
        if self.used_rows >= self.limit:
            return -1
        if self.used_rows == self.capacity:
            size = self.capacity + max(GROWTH_ROWS, self.capacity // 4 // GROWTH_ROWS * GROWTH_ROWS)
            for state in (self.table, *self.attached):
                state.grow(size)
        self.used_rows += 1
        return self.used_rows - 1

    def _set_slot(self, row: int, event: Join) -> None:
        slot = int(self.table.slot[row])
        if event.role != "performer":
            self._free_slot(row)
            return
        if slot < 0:
            slot = next((s for s in range(MAX_PERFORMERS) if s not in self.names), -1)
            self.table.slot[row] = slot
        if slot >= 0:
            self.names[slot] = self._own_name(event.name or f"performer {slot + 1}", slot)

    def _own_name(self, name: str, slot: int) -> str:
        """The name, or with a number behind it where another performer has it: a quartet has two violins, and series
        and linkage are kept by name."""
        others = {n for s, n in self.names.items() if s != slot}
        numbered = (f"{name} {n}" for n in range(2, MAX_PERFORMERS + 2))
        return name if name not in others else next(n for n in numbered if n not in others)

    def _free_slot(self, row: int) -> None:
        slot = int(self.table.slot[row])
        if slot >= 0:
            self.names.pop(slot, None)
            self.scalar_names.pop(slot, None)
            for state in self.small:
                state.clear(np.array([slot]))
            self.table.slot[row] = -1

    def _set_channels(self, row: int, channels: tuple[Channel, ...]) -> None:
        """The first channel of each kind counts; other names are scalars, four at the most, of a performer."""
        t, slot = self.table, int(self.table.slot[row])
        t.kind[row], t.step_us[row], t.scale[row], t.offset[row] = Kind.NONE, 1.0, 1.0, 0.0
        t.channels[row] = min(len(channels), MAX_BLOCKS)
        taken: set[Kind] = set()
        scalars: list[str] = []
        for i, channel in enumerate(channels[:MAX_BLOCKS]):
            kind = KINDS.get(channel.name, SCALARS[min(len(scalars), len(SCALARS) - 1)])
            if kind in taken or (kind in PERFORMER_ONLY and slot < 0) or not usable(channel):
                continue
            taken.add(kind)
            if kind in SCALARS:
                scalars.append(channel.name)
            t.kind[row, i], t.step_us[row, i] = kind, 1e6 / channel.rate_hz
            t.scale[row, i], t.offset[row, i] = channel.scale, channel.offset
        if scalars:
            self.scalar_names[slot] = scalars
        self.set_make(row)

    def set_make(self, row: int) -> None:
        """Find the make that the row's channels are of. Bounded by the number of claims; one entry each at the most."""
        t = self.table
        columns = (t.kind, t.step_us, t.scale, t.offset)
        made = Make(int(t.channels[row]), *(tuple(c[row].tolist()) for c in columns))
        if made not in self.make_of:
            if len(self.makes) > MAX_MAKES:
                self._renumber()
            self.make_of[made] = len(self.makes)
            self.makes.append(made)
        t.make[row] = self.make_of[made]

    def _renumber(self) -> None:
        """Forget the makes that no row is of any more."""
        used, number = np.unique(self.table.make, return_inverse=True)
        kept = sorted({0, *used.tolist()})
        place = {old: new for new, old in enumerate(kept)}
        self.table.make[:] = np.array([place[old] for old in used.tolist()])[number]
        self.makes = [self.makes[old] for old in kept]
        self.make_of = {make: i for i, make in enumerate(self.makes) if i}


def sane(event: Join) -> bool:
    """True when a claim's numbers fit the columns; a claim that does not is refused, never an exception."""
    numbers = (event.listener, event.stream, event.seat, event.lowest)
    words = (event.role, event.name, *(channel.name for channel in event.channels))
    if not all(isinstance(n, int) for n in numbers) or not all(isinstance(w, str) for w in words):
        return False
    within = event.role in ROLES and 0 <= event.listener < 1 << 64 and 0 <= event.stream < 1 << 64
    return within and 0 <= event.seat <= MAX_SEATS and 0 <= event.lowest < 1 << 32


def usable(channel: Channel) -> bool:
    """True when rate, scale and offset are numbers that samples can be computed with."""
    numbers: tuple[Any, ...] = (channel.rate_hz, channel.scale, channel.offset)
    if not all(isinstance(n, int | float) and abs(n) < 1e12 for n in numbers):
        return False
    return MIN_RATE_HZ <= channel.rate_hz <= MAX_RATE_HZ and channel.scale != 0

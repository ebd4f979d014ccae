"""One seat value as dense blocks or as one message a seat: changed-only, with a rotating refresh. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from aggregator.outputs.osc_datagrams import Datagrams, Layout
from aggregator.outputs.osc_message import WORD_BYTES, message

MAX_STEP_S = 1.0  # a pause longer than this refreshes no more than a second's share

Values = NDArray[np.float32] | NDArray[np.int32]


class SeatStream:
    """Seat values of one address, ``words_a_seat`` arguments each.

    ``sent`` (words_a_seat, seats) is what the buffer holds: the value that last left. A datagram is due when one of
    its seats moved by ``deadband`` or more since it last left, or when the rotation reaches it. Of the due ones the
    longest unsent go first, at most as many as the caller allows; the others stay due, so nothing is lost.
    """

    def __init__(
        self, layout: Layout, places: Sequence[tuple[int, int]], *, words_a_seat: int, integers: bool, deadband: float
    ) -> None:
        self.data: Datagrams = layout.build()
        number = np.array([b for b, _ in places], dtype=np.int64)
        offset = np.array([o for _, o in places], dtype=np.int64)
        first = self.data.starts[number] + offset // WORD_BYTES
        self._index = first + np.arange(words_a_seat)[:, None]
        self._of_seat = number
        self._first_seat = np.flatnonzero(np.r_[True, np.diff(number) > 0])
        self._target = self.data.ints if integers else self.data.floats
        self._deadband = deadband
        self.sent: Values = self._target[self._index].astype(np.int32 if integers else np.float32)  # zeros
        self._unsent_ticks = np.zeros(len(self.data), dtype=np.int64)
        self._forced = np.ones(len(self.data), dtype=np.bool_)
        self._cursor = 0
        self._credit = 0.0
        self._last_s: float | None = None

    def resend(self) -> None:
        """Mark every datagram as due: the next ticks send everything again."""
        self._forced[:] = True

    def due(self, values: Values, now_s: float, refresh_s: float, at_most: int) -> list[memoryview]:
        """The datagrams to send now, with their numbers (not their tick) written.

        ``values`` (words_a_seat, seats), finite. ``at_most`` bounds the datagrams of this tick, but never
        below the rotation's share.
        """
        at_most = max(at_most, self._rotate(now_s, refresh_s))
        due = self._forced.copy()
        for now, before in zip(values, self.sent, strict=True):
            due |= np.logical_or.reduceat(np.abs(now - before) >= self._deadband, self._first_seat)
        which = np.flatnonzero(due)
        self._unsent_ticks += 1
        if len(which) > at_most:
            longest = np.argsort(-self._unsent_ticks[which], kind="stable")[:at_most]
            which = np.sort(which[longest])
        self._write(values, which)
        return self.data.chosen(which)

    def _rotate(self, now_s: float, refresh_s: float) -> int:
        """Force the next datagrams of the rotation, so that all have their turn within ``refresh_s``; how many."""
        before_s = now_s if self._last_s is None else self._last_s
        step_s = min(max(now_s - before_s, 0.0), MAX_STEP_S)
        self._last_s = now_s
        self._credit = min(self._credit + len(self.data) * step_s / refresh_s, float(len(self.data)))
        turns = int(self._credit)
        self._credit -= turns
        self._forced[(self._cursor + np.arange(turns)) % len(self.data)] = True
        self._cursor = (self._cursor + turns) % len(self.data)
        return turns

    def _write(self, values: Values, which: NDArray[np.intp]) -> None:
        if not len(which):
            return
        if len(which) == len(self.data):
            self.sent[:] = values
            self._target[self._index] = values
        else:
            chosen = np.zeros(len(self.data), dtype=np.bool_)
            chosen[which] = True
            seats = np.flatnonzero(chosen[self._of_seat])
            self.sent[:, seats] = values[:, seats]
            self._target[self._index[:, seats]] = values[:, seats]
        self._forced[which] = False
        self._unsent_ticks[which] = 0


def block_stream(
    layout: Layout, address: str, seats: int, per_block: int, *, integers: bool, deadband: float
) -> SeatStream:
    """Dense blocks: ``address`` ``i`` first seat's number, then up to ``per_block`` values in seat order."""
    tag = "i" if integers else "f"
    per_block = min(per_block, _block_that_fits(layout, address, tag))
    places = []
    for first in range(1, seats + 1, per_block):
        count = min(per_block, seats + 1 - first)
        element = message(address, "i" + tag * count, first, *([0] * count))
        number, offset = layout.add(element, fresh=True)
        values = offset + len(element) - WORD_BYTES * count
        places += [(number, values + WORD_BYTES * j) for j in range(count)]
    return SeatStream(layout, places, words_a_seat=1, integers=integers, deadband=deadband)


def _block_that_fits(layout: Layout, address: str, tag: str) -> int:
    """The largest number of seats whose block fits a datagram; each costs a type letter and a word."""
    count = max((layout.room() - len(message(address, "i", 0))) // (WORD_BYTES + 1), 1)
    while count > 1 and len(message(address, "i" + tag * count, 0, *([0] * count))) > layout.room():
        count -= 1
    return count


def seat_stream(
    layout: Layout, prefix: str, name: str, seats: int, *, words_a_seat: int, integers: bool, deadband: float
) -> SeatStream:
    """One message a seat, ``/seat/NNNN/name``, as many as fit a datagram."""
    types = ("i" if integers else "f") * words_a_seat
    places = []
    for seat in range(1, seats + 1):
        element = message(f"{prefix}/seat/{seat:04d}/{name}", types, *([0] * words_a_seat))
        number, offset = layout.add(element)
        places.append((number, offset + len(element) - WORD_BYTES * words_a_seat))
    return SeatStream(layout, places, words_a_seat=words_a_seat, integers=integers, deadband=deadband)

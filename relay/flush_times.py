"""When a relay writes to the bus: evenly spaced, and one of the moments just before each cut at which entries are used.

A packet that is stamped right after a cut waits for the next one, so that only the last write before each cut decides
how old packets become: written at a blind rhythm of 20 ms they wait up to 20 ms more, written in step 1 or 2. Pure:
times are arguments, milliseconds of the relay's steady clock and of the bus's.
"""

from __future__ import annotations

import math

USES_HZ = 10  # aggregator.engine.USES_HZ: entries are used at ticks of at least this rate
# An entry that misses its cut is 100 ms older, one written too early only by as much: the moment is moved so that about
# one append in fifty is late. Sixteen shards answer together, so that a late write moves the next by 1.6 ms; what is
# far too early comes nearer by a thousandth of it an answer.
LATER_MS, LATER_SHARE, EARLIER_MS = 0.002, 0.001, 0.1
ANOTHER_CLOCK_MS = 100.0  # an answer so far from what was known: the bus's clock was set, or it is another's


class FlushTimes:
    """``every_ms``: the longest distance of two writes. Until the bus's clock and the first tick are known (``origin``
    and ``answered``) that is the rhythm."""

    def __init__(self, every_ms: float) -> None:
        self._every_ms = every_ms
        self._t0_ms, self._gap_ms, self._writes = 0, every_ms, 1
        self._ticking = False
        self._ahead_ms = math.nan

    def origin(self, t0_ms: int, tick_hz: float) -> None:
        """Ticks are counted from this moment of the bus's clock, at this rate."""
        period_ms = max(1, int(tick_hz // USES_HZ)) * 1000 / tick_hz
        self._writes = math.ceil(period_ms / self._every_ms)
        self._t0_ms, self._gap_ms = t0_ms, period_ms / self._writes
        self._ticking = True

    def answered(self, stamp_ms: int, due_ms: float) -> None:
        """What was to be written at ``due_ms`` of our clock has this stamp.

        Only the writes before a cut teach: the next waits, where both share a process, while the tick is computed.
        """
        early_ms = self._ahead_ms - (stamp_ms + 1 - due_ms)
        if not abs(early_ms) < ANOTHER_CLOCK_MS:
            self._ahead_ms = stamp_ms + 1 - due_ms
        elif round((due_ms + self._ahead_ms - self._t0_ms) / self._gap_ms) % self._writes:
            return
        elif early_ms < 0.0:
            self._ahead_ms += EARLIER_MS
        else:
            self._ahead_ms -= max(LATER_MS, LATER_SHARE * early_ms)

    def next_ms(self, now_ms: float) -> float:
        """The next moment to write, of our clock: half a distance away or more."""
        if not self._ticking or math.isnan(self._ahead_ms):
            return now_ms + self._every_ms
        least_ms = now_ms + self._gap_ms / 2
        first_ms = self._t0_ms - self._ahead_ms
        return first_ms + math.ceil((least_ms - first_ms) / self._gap_ms) * self._gap_ms

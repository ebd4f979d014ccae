"""When phones that are sent away may come back: one after the other, however many there are. Pure.

A join costs a relay what twenty packets do (0.3 ms and 13 us, ``bench_arena`` at 30,000 a second), and an engine some
more. Were thousands of phones told to return within the same four seconds, a relay that was too full would spend
its time on letting them in, would be too full again, and might never recover.
"""

from __future__ import annotations

RETURNS_PER_S = 300.0  # a tenth of a core at the relay; with an engine in the process perhaps a third (a guess)
FIRST_S, SPREAD_S = 1.0, 4.0  # nobody sooner; a few phones are spread by chance alone, so that relays are not in step
LONGEST_S = 60.0  # further ahead nothing is promised: those come at any moment of the minute's last half


class Returns:
    """Gives out moments. ``chance`` draws from 0..1 and ``now_ms`` never falls."""

    __slots__ = ("_last_ms",)

    def __init__(self) -> None:
        self._last_ms = float("-inf")

    def next_s(self, now_ms: float, chance: float) -> float:
        """Seconds after which one more phone may come back, 1 to 60."""
        self._last_ms = max(now_ms, self._last_ms + 1000.0 / RETURNS_PER_S)
        queued_s = (self._last_ms - now_ms) / 1000.0
        if queued_s > LONGEST_S - FIRST_S - SPREAD_S:
            self._last_ms -= 1000.0 / RETURNS_PER_S
            return LONGEST_S * (0.5 + 0.5 * chance)
        return FIRST_S + queued_s + SPREAD_S * chance

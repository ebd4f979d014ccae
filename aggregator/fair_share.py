"""How often the ticks let everything else in the process have its turn. Shell; the clock is an argument.

Usually after each tick. One turn of everything else may be long, though: thousands of sockets are read in it, or let
in. With one tick a turn an aggregator that has fallen behind would then stay behind for good, its bus would fill, and
the relay could take nothing in: the house would be lost until the phones are gone. So who is behind works for as long
as the others' last turn took before it gives them the next one: half of the time, whatever comes in.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

BEHIND_MS = 100.0  # two ticks at 20 Hz
MOST_S = 0.4  # of own work in one go: a lease lasts for twice that
LONG_TICK_MS, LEASE_S = 50.0, 0.005  # one after another they would hold up the lease, whose renewal takes turns


class FairShare:
    """``clock`` in seconds, steady."""

    __slots__ = ("_clock", "_others_s", "_since_s")

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._others_s, self._since_s = 0.0, clock()

    async def give(self, tick_ms: float, behind_ms: float) -> None:
        """Called after a tick that took ``tick_ms`` of work, so long after its cut."""
        now_s = self._clock()
        if behind_ms > BEHIND_MS and now_s - self._since_s < min(self._others_s, MOST_S):
            return
        await asyncio.sleep(LEASE_S if tick_ms > LONG_TICK_MS else 0)
        self._since_s = self._clock()
        self._others_s = self._since_s - now_s

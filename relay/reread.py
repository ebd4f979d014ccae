"""What a reader of the bus does after a failover: how far it goes back, and what it has seen before. Pure.

A bus that failed over (or restarted) may lack the newest of what was read from it, and may stamp what it takes from
then on below that: a reader that only went on would never see those entries. So readers go back 10 s (contract 7).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from zlib import crc32

from relay.entries import Entry, Stamp

REREAD_MS = 10_000  # contract 7; what a replica lacks is bounded by how long its primary goes on without it
REMEMBERED_MS = 2 * REREAD_MS  # a new primary's clock may be behind as well
REMEMBERED = 50_000  # entries a stream: over 30 s of one every 20 ms from each of 30 relays


def again_from(position: Stamp, now_ms: int) -> Stamp:
    """Where to read on after a failover: 10 s before the last entry used, or before the bus's time now if that is
    earlier (the new primary's clock is behind). Zero for a stream of which nothing was used."""
    return Stamp(max(0, min(position.ms, now_ms) - REREAD_MS), 0)


class Unseen:
    """Lets every entry through once: what is read again after a failover is told by stream, stamp and checksum."""

    def __init__(self) -> None:
        self._known: dict[int, set[tuple[Stamp, int]]] = {}
        self._order: dict[int, deque[tuple[Stamp, int]]] = {}

    def of(self, entries: Sequence[Entry]) -> list[Entry]:
        """Those that have not been here yet. Remembers 20 s of each stream, 50,000 entries at the most."""
        made = []
        for entry in entries:
            known = self._known.setdefault(entry.stream, set())
            mark = (entry.stamp, crc32(entry.payload))
            if mark not in known:
                known.add(mark)
                self._order.setdefault(entry.stream, deque()).append(mark)
                made.append(entry)
        for stream in {entry.stream for entry in made}:
            self._forget(self._known[stream], self._order[stream])
        return made

    def _forget(self, known: set[tuple[Stamp, int]], order: deque[tuple[Stamp, int]]) -> None:
        least_ms = order[-1][0].ms - REMEMBERED_MS
        while len(order) > REMEMBERED or order[0][0].ms < least_ms:
            known.discard(order.popleft())

"""The parts' linkage with each performer as one table of the plan's seats. Pure numpy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from aggregator.snapshot import Links, PartSnapshot


class SeatLinks:
    """Remembers what it made last: the parts' tables change every 10 s, snapshots are made 20 times a second."""

    def __init__(self, seats: int) -> None:
        self._seats = seats
        self._from: tuple[Links, ...] = ()
        self._made: Links = {}

    def of(self, parts: Sequence[PartSnapshot]) -> Links:
        """By performer float32 (3, seats of the plan), 0 where nobody says anything; of two parts that name a seat the
        one with the lowest shard counts. The same object as long as all parts' are."""
        parts = sorted(parts, key=lambda p: p.shards, reverse=True)
        given = tuple(p.links for p in parts)
        if len(given) == len(self._from) and all(a is b for a, b in zip(given, self._from, strict=True)):
            return self._made
        made: Links = {}
        for part in parts:
            for name, table in part.links.items():
                made.setdefault(name, np.zeros((3, self._seats), np.float32))[:, part.seat - 1] = table
        self._from, self._made = given, dict(sorted(made.items()))
        return self._made

"""A bus in process that fails over as one with a replica does."""

from __future__ import annotations

from relay.bus_memory import MemoryBus, house_clock
from relay.entries import Stamp


class FailingBus(MemoryBus):
    """A bus whose replica takes over: it lacks what came after ``edge``, and its clock is ``behind_s`` behind."""

    def __init__(self) -> None:
        self._behind_s = 0.0
        self._house = house_clock()
        super().__init__(clock=lambda: self._house() - self._behind_s)

    def fail_over(self, edge: Stamp, behind_s: float) -> None:
        for stream in range(self.shards + 1):
            kept = [e for e in self._entries[stream] if e.stamp <= edge]
            self._entries[stream], self._stamps[stream] = kept, [e.stamp for e in kept]
        self._behind_s, self._last = behind_s, edge
        self._id += "'"

"""The in-process bus: the default, with no server to install.

Bounded per stream in entries and bytes; at the bound ``append`` raises BusUnavailable until the reader trims, so that
nothing unread is ever lost. Lives in one event loop; not for threads.
"""

from __future__ import annotations

import asyncio
import os
import time
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence

from relay.bus import SHARDS, BusStatistics, BusUnavailable
from relay.entries import FIRST, Entry, Stamp

ENTRY_OVERHEAD_BYTES = 200  # an entry's Python objects beside its payload
BOUND_ENTRIES = 50_000  # 120 s of a batch every 20 ms is 6,000; the rest is for joins
BOUND_BYTES = 256 << 20  # over all streams, shared out evenly (contract 7)


def house_clock() -> Callable[[], float]:
    """A monotonic clock fixed to Unix time now: seconds. It never follows a later step of the wall clock."""
    offset_s = time.time() - time.monotonic()
    return lambda: time.monotonic() + offset_s


class MemoryBus:
    """relay.bus.Bus in process. ``clock`` gives house time in seconds and is read at each write."""

    def __init__(
        self,
        shards: int = SHARDS,
        *,
        clock: Callable[[], float] | None = None,
        bound_entries: int = BOUND_ENTRIES,
        bound_bytes: int = BOUND_BYTES,
    ) -> None:
        self.shards = shards
        self._clock = clock or house_clock()
        self._bound_entries, self._bound_bytes = bound_entries, bound_bytes // (shards + 1)
        self._entries: list[list[Entry]] = [[] for _ in range(shards + 1)]
        self._stamps: list[list[Stamp]] = [[] for _ in range(shards + 1)]
        self._bytes = [0] * (shards + 1)
        self._last = FIRST
        self._waiting: dict[asyncio.Event, frozenset[int]] = {}
        self._id = os.urandom(8).hex()
        self._written = self._refused = self._trimmed = 0
        self._closed = False

    async def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        """Write all payloads or none; accepted at once. Raises BusUnavailable at the bound or after close."""
        self._check(stream)
        size = sum(map(len, payloads)) + ENTRY_OVERHEAD_BYTES * len(payloads)
        entries, stamps = self._entries[stream], self._stamps[stream]
        if self._bytes[stream] + size > self._bound_bytes or len(entries) + len(payloads) > self._bound_entries:
            self._refused += len(payloads)
            raise BusUnavailable(
                f"stream {stream} holds {len(entries)} entries and {self._bytes[stream]} bytes unread; allowed "
                f"{self._bound_entries} and {self._bound_bytes}: waiting for its reader to trim"
            )
        made = [self._stamp() for _ in payloads]
        entries.extend(Entry(stamp, stream, payload) for stamp, payload in zip(made, payloads, strict=True))
        stamps.extend(made)
        self._bytes[stream] += size
        self._written += len(made)
        for news, streams in self._waiting.items():
            if stream in streams:
                news.set()
        return made

    async def read(self, after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
        """Up to ``limit`` entries a stream after the given positions, waiting up to ``wait_s`` for the first one."""
        deadline_s = time.monotonic() + wait_s
        while True:
            for stream in after:
                self._check(stream)
            found = [entry for stream, stamp in after.items() for entry in self._after(stream, stamp, limit)]
            left_s = deadline_s - time.monotonic()
            if found or left_s <= 0:
                return found
            await self._news(frozenset(after), left_s)

    async def now_ms(self) -> int:
        """House time; every later stamp is at or above it, also when the clock is stepped back."""
        self._check(0)
        now = max(int(self._clock() * 1000), self._last.ms)
        if now > self._last.ms:
            self._last = Stamp(now, -1)
        return now

    async def trim(self, stream: int, before: Stamp) -> int:
        """Drop entries with a stamp below ``before``."""
        self._check(stream)
        count = bisect_left(self._stamps[stream], before)
        dropped = self._entries[stream][:count]
        del self._entries[stream][:count], self._stamps[stream][:count]
        self._bytes[stream] -= sum(len(e.payload) + ENTRY_OVERHEAD_BYTES for e in dropped)
        self._trimmed += count
        return count

    async def compact(self) -> bool:
        """Nothing is kept on disk."""
        self._check(0)
        return True

    async def replication_id(self) -> str:
        """One for the life of this object: an in-process bus loses its entries with the process."""
        self._check(0)
        return self._id

    def statistics(self) -> BusStatistics:
        """Totals over all streams; the bounds are those of all streams together."""
        streams = self.shards + 1
        return BusStatistics(
            entries=sum(map(len, self._entries)),
            bytes=sum(self._bytes),
            bound_entries=self._bound_entries * streams,
            bound_bytes=self._bound_bytes * streams,
            written=self._written,
            refused=self._refused,
            trimmed=self._trimmed,
        )

    async def close(self) -> None:
        """Wake waiting readers; every later call raises BusUnavailable."""
        self._closed = True
        for news in self._waiting:
            news.set()

    async def _news(self, streams: frozenset[int], within_s: float) -> None:
        """Wait for an entry on one of these streams, or for the time to pass."""
        news = asyncio.Event()
        self._waiting[news] = streams
        try:
            async with asyncio.timeout(within_s):
                await news.wait()
        except TimeoutError:
            pass
        finally:
            del self._waiting[news]

    def _check(self, stream: int) -> None:
        if self._closed:
            raise BusUnavailable("the bus is closed")
        if not 0 <= stream <= self.shards:
            raise ValueError(f"stream: found {stream}, allowed 0..{self.shards}")

    def _stamp(self) -> Stamp:
        now = int(self._clock() * 1000)
        self._last = Stamp(now, 0) if now > self._last.ms else Stamp(self._last.ms, self._last.n + 1)
        return self._last

    def _after(self, stream: int, stamp: Stamp, limit: int) -> list[Entry]:
        first = bisect_right(self._stamps[stream], stamp)
        return self._entries[stream][first : first + limit]

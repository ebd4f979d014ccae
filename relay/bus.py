"""The bus: numbered streams of stamped entries, one a shard and one for the house.

One contract, two back ends (in process here, Redis Streams in relay.bus_redis); one test suite runs against both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from relay.entries import Entry, Stamp

SHARDS = 16  # fixed for the evening: a unit of ownership, not of computing


class BusUnavailable(Exception):
    """The bus did not accept or answer in time; nothing that was being written may be acknowledged."""


@dataclass(slots=True)
class BusStatistics:
    """Counters and fill of one bus: entries and bytes now held, their bounds, and what was refused."""

    entries: int = 0
    bytes: int = 0
    bound_entries: int = 0
    bound_bytes: int = 0
    written: int = 0
    refused: int = 0
    trimmed: int = 0


class Bus(Protocol):
    """What the relay writes to and the aggregator reads from. Streams are 0..shards-1 and ``house == shards``."""

    shards: int

    async def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        """Write payloads in order; returns when *accepted* (contract 7). Raises BusUnavailable."""
        ...

    async def read(self, after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
        """Entries after the given position of each stream, in order within a stream. Raises BusUnavailable."""
        ...

    async def now_ms(self) -> int:
        """House time: no entry written after this returns has a stamp below it. Raises BusUnavailable."""
        ...

    async def trim(self, stream: int, before: Stamp) -> int:
        """Drop entries before ``before`` (the owner's durable checkpoint); returns how many."""
        ...

    async def compact(self) -> bool:
        """Have what the bus keeps on disk written anew, without what was trimmed. That takes a while: False while it is
        under way, to be asked again; True once all of it was begun after the first asking and has ended well.

        Raises BusUnavailable: some server did not answer or could not; ask again.
        """
        ...

    async def replication_id(self) -> str:
        """Changes when the bus may have lost accepted entries (a failover, a restart)."""
        ...

    def statistics(self) -> BusStatistics:
        """Counters and fill, without waiting."""
        ...

    async def close(self) -> None:
        """Release connections; idempotent."""
        ...

"""Opening what the bus carried: the packet batches of a tick to one set of arrays. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.intake_wait import Held
from aggregator.listeners import ListenerState
from relay.entries import ENTRY_VERSION, PACKETS, RECORD_DTYPE, Entry, EntryError, decode_packets
from relay.wire import MAX_PACKET_BYTES

HEAD_BYTES = 8  # kind, version, u16, number of packets: relay.entries
_HEAD = bytes((PACKETS, ENTRY_VERSION))


@dataclass(slots=True)
class Arrivals:
    """Packets as they lie in ``data``, arrays (p,): who sent them, when they arrived, where their bytes are."""

    data: NDArray[np.uint8]
    listener: NDArray[np.uint64]
    stream: NDArray[np.uint64]
    row: Rows
    arrival_ms: Floats
    stamp_ms: Ints
    start: Ints
    size: Ints

    def select(self, row: Rows, keep: Bools) -> Self:
        """The packets to keep, with their rows."""
        if keep.all():
            self.row = row
            return self
        picked = {f.name: getattr(self, f.name)[keep] for f in fields(self) if f.name not in ("data", "row")}
        return type(self)(data=self.data, row=row[keep], **picked)

    @classmethod
    def join(cls, parts: Sequence[Self]) -> Self:
        """All of them one after another."""
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls.none()
        made = {f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)}
        lengths = np.array([len(p.data) for p in parts])
        counts = np.array([len(p.start) for p in parts])
        made["start"] = made["start"] + np.repeat(np.cumsum(lengths) - lengths, counts)
        return cls(**made)

    @classmethod
    def none(cls) -> Self:
        u64, i64 = np.empty(0, np.uint64), np.empty(0, np.int64)
        return cls(np.empty(0, np.uint8), u64, u64, np.empty(0, np.intp), np.empty(0), i64, i64, i64)

    @classmethod
    def of_held(cls, taken: Sequence[tuple[int, Held]], table: ListenerState) -> Self:
        """Packets that waited, as arrivals again."""
        rows = np.array([row for row, _ in taken], np.intp)
        sizes = np.array([len(held.raw) for _, held in taken], np.int64)
        return cls(
            np.frombuffer(b"".join(held.raw for _, held in taken), np.uint8),
            table.listener[rows],
            table.stream[rows],
            rows,
            np.array([held.arrival_ms for _, held in taken], np.float64),
            np.array([held.stamp_ms for _, held in taken], np.int64),
            np.cumsum(sizes) - sizes,
            sizes,
        )


def open_batches(entries: Sequence[Entry]) -> tuple[Arrivals, int]:
    """The packets of many entries in one set of arrays, and how many entries were malformed (and left out).

    The numpy calls do not depend on how many entries there are; agrees with relay.entries.decode_packets on each.
    """
    made = _open(entries)
    if made is not None:
        return made, 0
    good = [e for e in entries if _readable(e.payload)]
    return _open(good) or Arrivals.none(), len(entries) - len(good)


def _readable(payload: bytes) -> bool:
    try:
        decode_packets(payload)
    except EntryError:
        return False
    return True


def _open(entries: Sequence[Entry]) -> Arrivals | None:
    """All entries, or None when at least one is malformed."""
    payloads, counts, ends, records = [], [], [], []
    for entry in entries:
        payload = entry.payload
        number = int.from_bytes(payload[4:HEAD_BYTES], "little")
        end = HEAD_BYTES + RECORD_DTYPE.itemsize * number
        if payload[:2] != _HEAD or len(payload) < end:
            return None
        payloads.append(payload)
        counts.append(number)
        ends.append(end)
        records.append(payload[HEAD_BYTES:end])
    record = np.frombuffer(b"".join(records), RECORD_DTYPE)
    size = record["size"].astype(np.int64)
    number_of, length, body = (np.array(x, np.int64) for x in (counts, [len(p) for p in payloads], ends))
    sums = np.concatenate(([0], np.cumsum(size)))
    last = np.cumsum(number_of)
    before = sums[last - number_of]
    if not np.array_equal(sums[last] - before, length - body) or (len(size) and int(size.max()) > MAX_PACKET_BYTES):
        return None
    base = np.cumsum(length) - length + body - before
    stamp: Ints = np.repeat(np.array([e.stamp.ms for e in entries], np.int64), number_of)
    arrival = stamp.astype(np.float64) - record["age_ms"]
    return Arrivals(
        np.frombuffer(b"".join(payloads), np.uint8),
        record["listener"].astype(np.uint64),
        record["stream"].astype(np.uint64),
        np.empty(0, np.intp),
        arrival,
        stamp,
        np.repeat(base, number_of) + sums[:-1],
        size,
    )

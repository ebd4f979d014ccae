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
_HEAD = PACKETS | ENTRY_VERSION << 8
_HEAD_DTYPE = np.dtype([("kind", "<u2"), ("zero", "<u2"), ("number", "<u4")])


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
        if np.count_nonzero(keep) == keep.size:
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
        made["start"] = made["start"] + np.repeat(lengths.cumsum() - lengths, counts)
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
            sizes.cumsum() - sizes,
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


def _structures(data: NDArray[np.uint8], at: Ints, kind: np.dtype[np.void]) -> NDArray[np.void]:
    """Structures of ``kind`` at byte positions ``at``, each copied whole."""
    size = kind.itemsize
    everywhere: NDArray[np.void] = np.ndarray((len(data) - size + 1,), f"V{size}", data, 0, (1,))
    return everywhere[at].view(kind)


def _open(entries: Sequence[Entry]) -> Arrivals | None:
    """All entries, or None when at least one is malformed."""
    payloads = [e.payload for e in entries]
    length = np.array([len(p) for p in payloads], np.int64)
    if not len(length) or int(length.min()) < HEAD_BYTES:
        return None if len(length) else Arrivals.none()
    data = np.frombuffer(b"".join(payloads), np.uint8)
    base = length.cumsum() - length
    head = _structures(data, base, _HEAD_DTYPE)
    number = head["number"].astype(np.int64)
    body = HEAD_BYTES + RECORD_DTYPE.itemsize * number
    if (head["kind"] != _HEAD).any() or (length < body).any():
        return None
    last = number.cumsum()
    if not last[-1]:
        return Arrivals.none() if np.array_equal(length, body) else None
    at = np.repeat(base + HEAD_BYTES - RECORD_DTYPE.itemsize * (last - number), number)
    record = _structures(data, at + RECORD_DTYPE.itemsize * np.arange(len(at)), RECORD_DTYPE)
    size = record["size"].astype(np.int64)
    sums = np.concatenate(([0], size.cumsum()))
    before = sums[last - number]
    if not np.array_equal(sums[last] - before, length - body) or (len(size) and int(size.max()) > MAX_PACKET_BYTES):
        return None
    begin = base + body - before
    stamp: Ints = np.repeat(np.array([e.stamp[0] for e in entries], np.int64), number)
    arrival = stamp.astype(np.float64) - record["age_ms"]
    return Arrivals(
        data,
        record["listener"].astype(np.uint64),
        record["stream"].astype(np.uint64),
        np.empty(0, np.intp),
        arrival,
        stamp,
        begin.repeat(number) + sums[:-1],
        size,
    )

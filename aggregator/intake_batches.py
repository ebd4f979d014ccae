"""Opening what the bus carried: packet batches to arrays of packets, packets to arrays of samples. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.intake_wait import TICK_SPAN_US, Held
from aggregator.listeners import Kind, ListenerState
from relay.entries import RECORD_DTYPE, Entry, EntryError, decode_packets
from relay.wire import Batch, decode_batch


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
    """The packets of many entries in one set of arrays, and how many entries were malformed (and left out)."""
    good, records, starts, malformed, before = [], [], [], 0, 0
    for entry in entries:
        try:
            batch = decode_packets(entry.payload)
        except EntryError:
            malformed += 1
            continue
        good.append(entry)
        records.append(batch.records)
        starts.append(batch.starts + before)
        before += len(entry.payload)
    if not good:
        return Arrivals.none(), malformed
    record = np.concatenate(records).astype(RECORD_DTYPE, copy=False)
    stamp = np.repeat(np.array([e.stamp.ms for e in good], np.int64), [len(r) for r in records])
    return (
        Arrivals(
            np.frombuffer(b"".join(e.payload for e in good), np.uint8),
            record["listener"].astype(np.uint64),
            record["stream"].astype(np.uint64),
            np.empty(0, np.intp),
            stamp - record["age_ms"].astype(np.float64),
            stamp,
            np.concatenate(starts),
            record["size"].astype(np.int64),
        ),
        malformed,
    )


@dataclass(slots=True)
class Opened:
    """Packets with their samples. Arrays (p,): ``ok``, ``row``, ``sequence``, ``time_us``, ``arrival_ms``,
    ``stamp_ms``, and where block and bytes lie; then blocks (b,): kind, samples and their times' makings."""

    arrivals: Arrivals
    batch: Batch
    ok: Bools
    kind: Ints
    scale: Floats
    offset: Floats
    step_us: Floats
    first_block: Ints
    blocks: Ints

    @property
    def row(self) -> Rows:
        return self.arrivals.row

    @property
    def sequence(self) -> Ints:
        return self.batch.sequence

    @property
    def time_us(self) -> Ints:
        return self.batch.time_us

    @property
    def arrival_ms(self) -> Floats:
        return self.arrivals.arrival_ms

    @property
    def stamp_ms(self) -> Ints:
        return self.arrivals.stamp_ms

    def held(self, i: int) -> Held:
        """Packet i by itself, to be kept."""
        a, start = self.arrivals, int(self.arrivals.start[i])
        raw = a.data[start : start + int(a.size[i])].tobytes()
        return Held(int(self.sequence[i]), int(self.time_us[i]), float(a.arrival_ms[i]), int(a.stamp_ms[i]), raw)

    def join(self, other: Self) -> Self:
        """These packets, then the other ones."""
        packets, samples, blocks = len(self.ok), len(self.batch.raw), len(self.kind)
        made = {
            f.name: np.concatenate((getattr(self.batch, f.name), getattr(other.batch, f.name))) for f in fields(Batch)
        }
        made["packet"][blocks:] += packets
        made["first"][blocks:] += samples
        plain = {
            name: np.concatenate((getattr(self, name), getattr(other, name)))
            for name in ("ok", "kind", "scale", "offset", "step_us", "blocks", "first_block")
        }
        plain["first_block"][packets:] += blocks
        return type(self)(Arrivals.join([self.arrivals, other.arrivals]), Batch(**made), **plain)


def open_packets(arrivals: Arrivals, table: ListenerState, counters: dict[str, int]) -> Opened:
    """Decode all packets at once and look their channels up; a malformed one is counted and not ``ok``."""
    batch = decode_batch(arrivals.data, arrivals.start, arrivals.size)
    row = arrivals.row[batch.packet]
    kind = table.kind[row, batch.channel].astype(np.int64)
    unknown = batch.channel >= table.channels[row]
    kind[unknown] = Kind.NONE
    step_us = table.step_us[row, batch.channel]
    blocks = np.bincount(batch.packet, minlength=len(batch.ok))
    ok = batch.ok.copy()
    counters["packet_malformed"] += int(np.count_nonzero(~ok))
    counters["unknown_channel"] += int(np.count_nonzero(unknown))
    span = batch.start_us - batch.time_us[batch.packet] + _span(batch, step_us)
    long = batch.packet[(span > TICK_SPAN_US) & (kind != Kind.NONE)]
    if len(long):
        counters["packet_too_long"] += len(np.unique(long))
        ok[long] = False
    return Opened(
        arrivals,
        batch,
        ok,
        kind,
        table.scale[row, batch.channel],
        table.offset[row, batch.channel],
        step_us,
        np.cumsum(blocks) - blocks,
        blocks,
    )


def _span(batch: Batch, step_us: Floats) -> Floats:
    """Time from each block's first sample to its last, us."""
    even = (batch.count - 1) * step_us
    if not batch.timed.any():
        return even
    return np.where(batch.timed, batch.since_us[batch.first + batch.count - 1], even)


@dataclass(frozen=True, slots=True)
class Run:
    """Blocks of one kind in order, with their samples flat: ``row``, ``count`` (b,), ``time_us``, ``value`` (s,)."""

    row: Rows
    count: Ints
    time_us: Ints
    value: Floats


def gather(opened: Opened, usable: Rows) -> dict[int, Run]:
    """The usable packets' samples by kind, in the order of ``usable``; values in the channel's own unit."""
    count = opened.blocks[usable]
    block = _ragged(opened.first_block[usable], count)
    row = np.repeat(opened.row[usable], count)
    kind = opened.kind[block]
    made = {}
    for k in np.unique(kind):
        if k != Kind.NONE:
            mine = kind == k
            made[int(k)] = _run(opened, block[mine], row[mine])
    return made


def _run(opened: Opened, block: Ints, row: Rows) -> Run:
    batch = opened.batch
    count = batch.count[block]
    at = _ragged(batch.first[block], count)
    place = np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count)
    since = np.rint(place * np.repeat(opened.step_us[block], count)).astype(np.int64)
    timed = batch.timed[block]
    if timed.any():
        since = np.where(np.repeat(timed, count), batch.since_us[at], since)
    value = batch.raw[at] * np.repeat(opened.scale[block], count) + np.repeat(opened.offset[block], count)
    return Run(row, count, np.repeat(batch.start_us[block], count) + since, value)


def _ragged(first: Ints, count: Ints) -> Ints:
    """For first (5, 0) and count (2, 3): 5, 6, 0, 1, 2."""
    ends = np.cumsum(count)
    total = int(ends[-1]) if len(ends) else 0
    return np.arange(total) + np.repeat(first - ends + count, count)

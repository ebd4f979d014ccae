"""Packets to samples, thousands at once: by layout, so that equal packets decode as plain arrays. Pure.

Phones of one make send packets of a few layouts (the same blocks, formats and counts; only sequence, times and samples
differ). Packets of the most frequent layouts are read as one array of structures each; the rest goes through
relay.wire.decode_batch. Both give the same numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.intake_batches import Arrivals
from aggregator.intake_layout import LAYOUTS_KEPT, Layout, layout_of, signature
from aggregator.intake_wait import TICK_SPAN_US, Held
from aggregator.listeners import Kind, Listeners, Make
from relay.wire import (
    DESCRIPTOR_BYTES,
    FLOAT32,
    HEADER_BYTES,
    MAX_BLOCK_OFFSET_US,
    MAX_BLOCKS,
    MISSING_INT16,
    TIME_UNIT_US,
    TIMES_FLAG,
    decode_batch,
)

LEAST_ALIKE = 16  # packets of one size from which a layout of its own is cheaper than the general way
MAX_LAYOUTS = 8  # tried a tick: a few makes of sensor, with and without their slowest channel


@dataclass(frozen=True, slots=True)
class Piece:
    """Blocks of one kind, sample count and place within their packets: ``packet`` (n,) which packet each is of;
    ``start_us`` (n,), ``since_us`` (count,) or (n, count), ``value`` (n, count) in the own unit. ``alone``: these
    packets have no other block of this kind."""

    kind: int
    packet: Ints
    place: int
    start_us: Ints
    since_us: Ints
    value: Floats
    alone: bool


@dataclass(slots=True)
class Opened:
    """Packets, arrays (p,): ``ok`` False for malformed ones, ``sequence``, ``time_us``; and their samples in pieces."""

    arrivals: Arrivals
    ok: Bools
    sequence: Ints
    time_us: Ints
    pieces: list[Piece]

    @property
    def row(self) -> Rows:
        return self.arrivals.row

    def held(self, i: int) -> Held:
        """Packet i by itself, to be kept."""
        a, start = self.arrivals, int(self.arrivals.start[i])
        raw = a.data[start : start + int(a.size[i])].tobytes()
        return Held(int(self.sequence[i]), int(self.time_us[i]), float(a.arrival_ms[i]), int(a.stamp_ms[i]), raw)

    def join(self, other: Opened) -> Opened:
        """These packets, then the other ones."""
        shift = len(self.ok)
        return Opened(
            Arrivals.join([self.arrivals, other.arrivals]),
            np.concatenate((self.ok, other.ok)),
            np.concatenate((self.sequence, other.sequence)),
            np.concatenate((self.time_us, other.time_us)),
            [*self.pieces, *(replace(p, packet=p.packet + shift) for p in other.pieces)],
        )


def open_packets(arrivals: Arrivals, listeners: Listeners, counters: dict[str, int]) -> Opened:
    """Decode all packets and look their channels up; a malformed one is counted and not ``ok``."""
    n = len(arrivals.start)
    opened = Opened(arrivals, np.zeros(n, np.bool_), np.zeros(n, np.int64), np.zeros(n, np.int64), [])
    left = _alike(opened, listeners, counters)
    if len(left):
        _general(opened, listeners, counters, left)
        counters["packet_malformed"] += n - int(np.count_nonzero(opened.ok))
    long = [p.packet[_span(p) > TICK_SPAN_US] for p in opened.pieces if int(p.since_us.max()) > TICK_SPAN_US // 2]
    refused = np.unique(np.concatenate(long)) if long else np.empty(0, np.int64)
    if len(refused):
        counters["packet_too_long"] += len(refused)
        opened.ok[refused] = False
    return opened


def _span(piece: Piece) -> Ints:
    """Time from the first sample to the last, (n,)."""
    last: Ints = piece.since_us[..., -1]
    return last if last.ndim else np.full(len(piece.packet), last)


def _alike(opened: Opened, listeners: Listeners, counters: dict[str, int]) -> Ints:
    """Read the packets of the most frequent layouts; returns those that are left."""
    arrivals = opened.arrivals
    size = arrivals.size
    if len(size) < LEAST_ALIKE:
        return np.arange(len(size))
    often = np.bincount(size)
    often[: HEADER_BYTES + DESCRIPTOR_BYTES + 1] = 0
    read = 0
    for common in np.argsort(-often, kind="stable")[:MAX_LAYOUTS].tolist():
        if often[common] < LEAST_ALIKE:
            break
        packets = (size == common).nonzero()[0]
        windows: NDArray[np.void] = np.ndarray((len(arrivals.data) - common + 1,), f"V{common}", arrivals.data, 0, (1,))
        raw = windows[arrivals.start[packets]]
        layout = layout_of(signature(raw[0].tobytes()), common)
        if layout is not None:
            read += _read(opened, listeners, counters, packets, raw.view(layout.dtype), layout)
    return np.flatnonzero(~opened.ok) if read < len(size) else np.empty(0, np.int64)


def _read(
    opened: Opened,
    listeners: Listeners,
    counters: dict[str, int],
    packets: Ints,
    raw: NDArray[np.void],
    layout: Layout,
) -> int:
    """The packets that have this layout, by make of sensor; returns how many."""
    good = (raw["head"] == layout.head) & (raw["time_us"] < np.uint64(1 << 62))
    for i, fixed in enumerate(layout.described):
        good &= (raw[f"block{i}"] == fixed) & (raw[f"offset{i}"] <= MAX_BLOCK_OFFSET_US)
    if np.count_nonzero(good) < good.size:
        packets, raw = packets[good], raw[good]
    opened.ok[packets] = True
    opened.sequence[packets] = raw["sequence"]
    opened.time_us[packets] = raw["time_us"]
    make = listeners.table.make[opened.row[packets]]
    if len(make) and np.count_nonzero(make == make[0]) == len(make):
        _blocks(opened, listeners.makes[int(make[0])], counters, packets, raw, layout)
    else:
        for m in np.unique(make).tolist():
            mine = np.flatnonzero(make == m)
            _blocks(opened, listeners.makes[m], counters, packets[mine], raw[mine], layout)
    return len(packets)


def _blocks(
    opened: Opened, make: Make, counters: dict[str, int], packets: Ints, raw: NDArray[np.void], layout: Layout
) -> None:
    """Packets of one layout and make: block after block as plain arrays."""
    for place, (channel, code, count) in enumerate(layout.blocks):
        if channel >= make.channels:
            counters["unknown_channel"] += len(packets)
            continue
        kind = make.kind[channel]
        if kind == Kind.NONE:
            continue
        samples = _samples(raw[f"samples{place}"], code)
        samples *= make.scale[channel]
        samples += make.offset[channel]
        if code & TIMES_FLAG:
            since = np.cumsum(raw[f"times{place}"], axis=1, dtype=np.int64) * TIME_UNIT_US
        else:
            since = _even(count, make.step_us[channel])
        start = opened.time_us[packets] + raw[f"offset{place}"]
        opened.pieces.append(Piece(kind, packets, place, start, since, samples, not layout.repeats))


@lru_cache(maxsize=LAYOUTS_KEPT)
def _even(count: int, step_us: float) -> Ints:
    """Times of evenly spaced samples since the first one, us; to be read only."""
    since: Ints = np.rint(np.arange(count) * step_us).astype(np.int64)
    since.flags.writeable = False
    return since


def _samples(plain: NDArray[np.int16] | NDArray[np.float32], code: int) -> Floats:
    """Samples of one block of all packets, (n, count) unscaled, NaN where missing."""
    samples = plain.astype(np.float64)
    missing = ~np.isfinite(samples) if code & ~TIMES_FLAG == FLOAT32 else samples == MISSING_INT16
    if np.count_nonzero(missing):
        samples[missing] = np.nan
    return samples


def _general(opened: Opened, listeners: Listeners, counters: dict[str, int], left: Ints) -> None:
    """The packets that are like no others: decoded together, then sorted by kind, count and place in the packet."""
    arrivals, table = opened.arrivals, listeners.table
    batch = decode_batch(arrivals.data, arrivals.start[left], arrivals.size[left])
    opened.ok[left], opened.sequence[left], opened.time_us[left] = batch.ok, batch.sequence, batch.time_us
    packet, channel = left[batch.packet], batch.channel
    row = opened.row[packet]
    unknown = channel >= table.channels[row]
    counters["unknown_channel"] += int(np.count_nonzero(unknown))
    kind = np.where(unknown, Kind.NONE, table.kind[row, channel]).astype(np.int64)
    place = np.arange(len(packet)) - np.searchsorted(batch.packet, batch.packet)
    key = (kind * MAX_BLOCKS + place) * (1 << 16) + batch.count
    for k in np.unique(key[kind != Kind.NONE]).tolist():
        mine = np.flatnonzero(key == k)
        count, who, c = int(batch.count[mine[0]]), row[mine], channel[mine]
        at = batch.first[mine][:, None] + np.arange(count)
        even = np.rint(np.arange(count) * table.step_us[who, c][:, None]).astype(np.int64)
        since = np.where(batch.timed[mine][:, None], batch.since_us[at], even)
        value = batch.raw[at] * table.scale[who, c][:, None]
        value += table.offset[who, c][:, None]
        which, at_place = divmod(k >> 16, MAX_BLOCKS)
        opened.pieces.append(Piece(which, packet[mine], at_place, batch.start_us[mine], since, value, False))


@dataclass(frozen=True, slots=True)
class Run:
    """Blocks of one kind in order, samples flat: ``row``, ``count`` (b,), ``time_us``, ``value`` (s,)."""

    row: Rows
    count: Ints
    time_us: Ints
    value: Floats


def gather(opened: Opened, usable: Rows) -> dict[int, Run]:
    """The usable packets' samples by kind, in the order of ``usable`` and of the blocks within each packet."""
    rank = np.full(len(opened.ok), -1, np.int64)
    rank[usable] = np.arange(len(usable))
    pieces = opened.pieces
    if len(usable) < len(rank):
        pieces = [p for p in (_usable(p, rank) for p in pieces) if len(p.packet)]
    row = opened.row[usable]
    return {kind: _run(row, [p for p in pieces if p.kind == kind], rank) for kind in sorted({p.kind for p in pieces})}


def _usable(piece: Piece, rank: Ints) -> Piece:
    keep = rank[piece.packet] >= 0
    if np.count_nonzero(keep) == keep.size:
        return piece
    since = piece.since_us if piece.since_us.ndim == 1 else piece.since_us[keep]
    return replace(
        piece, packet=piece.packet[keep], start_us=piece.start_us[keep], since_us=since, value=piece.value[keep]
    )


def _run(row: Rows, pieces: Sequence[Piece], rank: Ints) -> Run:
    """``row`` is each usable packet's."""
    spots, row = _spots(pieces, rank, row)
    widths = {p.value.shape[1] for p in pieces}
    if len(widths) == 1:
        (width,) = widths
        value = np.empty((len(row), width))
        for piece, spot in zip(pieces, spots, strict=True):
            value[spot] = piece.value
        return Run(row, np.full(len(row), width), _times(pieces, spots, value.shape).ravel(), value.ravel())
    count = np.empty(len(row), np.int64)
    for piece, spot in zip(pieces, spots, strict=True):
        count[spot] = piece.value.shape[1]
    first = count.cumsum() - count
    time_us, value = np.empty(int(count.sum()), np.int64), np.empty(int(count.sum()))
    for piece, spot in zip(pieces, spots, strict=True):
        at = first[spot][:, None] + np.arange(piece.value.shape[1])
        time_us[at], value[at] = piece.start_us[:, None] + piece.since_us, piece.value
    return Run(row, count, time_us, value)


def _times(pieces: Sequence[Piece], spots: Sequence[Ints], shape: tuple[int, ...]) -> Ints:
    """Sample times of equally long blocks, each block where it goes."""
    since = pieces[0].since_us
    if since.ndim == 1 and all(p.since_us is since or np.array_equal(p.since_us, since) for p in pieces[1:]):
        start = np.empty(shape[0], np.int64)
        for piece, spot in zip(pieces, spots, strict=True):
            start[spot] = piece.start_us
        every: Ints = start[:, None] + since
        return every
    time_us = np.empty(shape, np.int64)
    for piece, spot in zip(pieces, spots, strict=True):
        time_us[spot] = piece.start_us[:, None] + piece.since_us
    return time_us


def _spots(pieces: Sequence[Piece], rank: Ints, row: Rows) -> tuple[list[Ints], Rows]:
    """Where each block goes, by its packet's rank, then by its place in the packet; and the row of each."""
    blocks = sum(len(p.packet) for p in pieces)
    ranks = [rank[p.packet] for p in pieces]
    alone = all(p.alone for p in pieces)
    if alone and blocks == len(row):
        return ranks, row
    if alone:
        present = np.zeros(len(row), np.bool_)
        for r in ranks:
            present[r] = True
        position = present.cumsum() - 1
        return [position[r] for r in ranks], row[present]
    keys = np.concatenate([r * MAX_BLOCKS + p.place for r, p in zip(ranks, pieces, strict=True)])
    order = np.argsort(keys, kind="stable")
    position = np.empty(blocks, np.int64)
    position[order] = np.arange(blocks)
    ends = np.cumsum([len(r) for r in ranks])
    return list(np.split(position, ends[:-1])), row[keys[order] // MAX_BLOCKS]

"""Packets to samples, thousands at once: by layout, so that equal packets decode as plain arrays. Pure.

Phones of one kind send packets of a few layouts (the same blocks, formats and counts; only sequence, times and samples
differ). Packets of the most frequent layouts are cut out as one two-dimensional array each; the rest goes through
relay.wire.decode_batch. Both give the same numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.intake_batches import Arrivals
from aggregator.intake_wait import TICK_SPAN_US, Held
from aggregator.listeners import Kind, ListenerState
from relay.wire import (
    DESCRIPTOR_BYTES,
    DESCRIPTOR_DTYPE,
    FLOAT32,
    HEADER_BYTES,
    HEADER_DTYPE,
    MAX_BLOCK_OFFSET_US,
    MAX_BLOCKS,
    MISSING_INT16,
    SAMPLE_BYTES,
    TIME_UNIT_US,
    TIMES_FLAG,
    WireError,
    check,
    decode_batch,
)

LEAST_ALIKE = 16  # packets of one size from which a layout of its own is cheaper than the general way
MAX_LAYOUTS = 8  # tried a tick: a few makes of sensor, with and without their slowest channel


@dataclass(frozen=True, slots=True)
class Piece:
    """Blocks of one kind and sample count: ``packet`` (n,) which packet each is of, ``place`` (n,) its place among the
    packet's blocks; ``start_us`` (n,), ``since_us`` (count,) or (n, count), ``value`` (n, count) in the own unit."""

    kind: int
    packet: Ints
    place: Ints
    start_us: Ints
    since_us: Ints
    value: Floats


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


def open_packets(arrivals: Arrivals, table: ListenerState, counters: dict[str, int]) -> Opened:
    """Decode all packets and look their channels up; a malformed one is counted and not ``ok``."""
    n = len(arrivals.start)
    opened = Opened(arrivals, np.zeros(n, np.bool_), np.zeros(n, np.int64), np.zeros(n, np.int64), [])
    left = np.arange(n)
    for packets, raw in _alike(arrivals):
        _cut(opened, table, counters, packets, raw)
        left = left[~opened.ok[left]]
    if len(left):
        _general(opened, table, counters, left)
    counters["packet_malformed"] += n - int(np.count_nonzero(opened.ok))
    long = [p.packet[_span(p) > TICK_SPAN_US] for p in opened.pieces]
    refused = np.unique(np.concatenate(long)) if long else np.empty(0, np.int64)
    if len(refused):
        counters["packet_too_long"] += len(refused)
        opened.ok[refused] = False
    return opened


def _span(piece: Piece) -> Ints:
    """Time from the first sample to the last, (n,)."""
    last = piece.since_us[..., -1]
    return last if last.ndim else np.full(len(piece.packet), last)


def _alike(arrivals: Arrivals) -> Iterator[tuple[Ints, NDArray[np.uint8]]]:
    """Packets of one size and layout, with their bytes as an array (n, size)."""
    size, length = arrivals.size, len(arrivals.data)
    if len(size) < LEAST_ALIKE:
        return
    often = np.bincount(size)
    often[: HEADER_BYTES + DESCRIPTOR_BYTES + 1] = 0
    for common in np.argsort(-often, kind="stable")[:MAX_LAYOUTS]:
        if often[common] < LEAST_ALIKE:
            return
        packets = np.flatnonzero(size == common)
        windows = as_strided(arrivals.data, (length - int(common) + 1, int(common)), (1, 1), writeable=False)
        raw = windows[arrivals.start[packets]]
        first = raw[0].tobytes()
        try:
            check(first)
        except WireError:
            continue
        fixed = _fixed(int(raw[0, 1]))
        equal = (raw[:, fixed] == raw[0, fixed]).all(axis=1)
        if not equal.all():
            packets, raw = packets[equal], raw[equal]
        yield packets, raw


def _fixed(blocks: int) -> Ints:
    """Bytes of header and descriptors that make a layout: all but sequence, time and the blocks' offsets."""
    within = HEADER_BYTES + DESCRIPTOR_BYTES * np.arange(blocks)[:, None] + np.arange(4)
    return np.concatenate((np.arange(4), within.ravel()))


def _cut(opened: Opened, table: ListenerState, counters: dict[str, int], packets: Ints, raw: NDArray[np.uint8]) -> None:
    """Packets of one layout: header, then block after block as plain arrays."""
    head = np.ascontiguousarray(raw[:, :HEADER_BYTES]).view(HEADER_DTYPE)[:, 0]
    blocks = int(raw[0, 1])
    body = HEADER_BYTES + DESCRIPTOR_BYTES * blocks
    described = np.ascontiguousarray(raw[:, HEADER_BYTES:body]).view(DESCRIPTOR_DTYPE)
    good = (head["time_us"] < np.uint64(1 << 62)) & (described["offset_us"] <= MAX_BLOCK_OFFSET_US).all(axis=1)
    if not good.all():
        packets, raw, head, described = packets[good], raw[good], head[good], described[good]
        if not len(packets):
            return
    time_us = head["time_us"].astype(np.int64)
    opened.ok[packets] = True
    opened.sequence[packets] = head["sequence"]
    opened.time_us[packets] = time_us
    row = opened.row[packets]
    for place in range(blocks):
        channel, code, count = (int(described[name][0, place]) for name in ("channel", "format", "count"))
        samples, since = _samples(raw, body, code, count)
        body += SAMPLE_BYTES[code] * count
        start = time_us + described["offset_us"][:, place]
        known = _known(table, row, np.full(len(row), channel), counters)
        opened.pieces += _pieces(table, row, known, channel, packets, place, start, samples, since)


def _samples(raw: NDArray[np.uint8], at: int, code: int, count: int) -> tuple[Floats, Ints | None]:
    """Samples of one block of all packets, (n, count) unscaled, NaN where missing; times since the first, or None."""
    floating = code & ~TIMES_FLAG == FLOAT32
    end = at + (4 if floating else 2) * count
    plain = np.ascontiguousarray(raw[:, at:end]).view("<f4" if floating else "<i2")
    samples = plain.astype(np.float64)
    missing = ~np.isfinite(samples) if floating else plain == MISSING_INT16
    if missing.any():
        samples[missing] = np.nan
    if not code & TIMES_FLAG:
        return samples, None
    steps = np.ascontiguousarray(raw[:, end : end + 2 * count]).view("<u2")
    return samples, np.cumsum(steps, axis=1, dtype=np.int64) * TIME_UNIT_US


def _known(table: ListenerState, row: Rows, channel: Ints, counters: dict[str, int]) -> Ints:
    """Kind of each block's channel; NONE, counted, for a channel that the hello did not name."""
    unknown = channel >= table.channels[row]
    if unknown.any():
        counters["unknown_channel"] += int(np.count_nonzero(unknown))
        return np.where(unknown, Kind.NONE, table.kind[row, channel])
    return table.kind[row, channel].astype(np.int64)


def _pieces(
    table: ListenerState,
    row: Rows,
    kind: Ints,
    channel: int,
    packets: Ints,
    place: int,
    start_us: Ints,
    samples: Floats,
    since: Ints | None,
) -> Iterator[Piece]:
    """One block of equal packets by kind (one kind, unless makes of sensors differ), in the channel's own unit."""
    for k in {int(kind[0])} if (kind == kind[0]).all() else set(kind.tolist()):
        if k == Kind.NONE:
            continue
        mine = slice(None) if (kind == k).all() else np.flatnonzero(kind == k)
        who = row[mine]
        yield Piece(
            k,
            packets[mine],
            np.full(len(who), place),
            start_us[mine],
            _even(table.step_us[who, channel], samples.shape[1]) if since is None else since[mine],
            _scaled(samples[mine], table.scale[who, channel], table.offset[who, channel]),
        )


def _scaled(samples: Floats, scale: Floats, offset: Floats) -> Floats:
    """raw * scale + offset, rounding as a multiplication and then an addition."""
    scaled: Floats = samples * scale[:, None]
    scaled += offset[:, None]
    return scaled


def _even(step_us: Floats, count: int) -> Ints:
    """Times of evenly spaced samples since the first, us: (count,) when all rates are equal, else (n, count)."""
    place = np.arange(count)
    if (step_us == step_us[0]).all():
        return np.rint(place * step_us[0]).astype(np.int64)
    return np.rint(place * step_us[:, None]).astype(np.int64)


def _general(opened: Opened, table: ListenerState, counters: dict[str, int], left: Ints) -> None:
    """The packets that are like no others: decoded together, then sorted by kind and count."""
    arrivals = opened.arrivals
    batch = decode_batch(arrivals.data, arrivals.start[left], arrivals.size[left])
    opened.ok[left], opened.sequence[left], opened.time_us[left] = batch.ok, batch.sequence, batch.time_us
    packet = left[batch.packet]
    row = opened.row[packet]
    kind = _known(table, row, batch.channel, counters)
    place = np.arange(len(packet)) - np.searchsorted(batch.packet, batch.packet)
    key = kind * (1 << 16) + batch.count
    for k in np.unique(key[kind != Kind.NONE]):
        mine = np.flatnonzero(key == k)
        count = int(batch.count[mine[0]])
        at = batch.first[mine][:, None] + np.arange(count)
        who, channel = row[mine], batch.channel[mine]
        timed = batch.timed[mine]
        since = np.broadcast_to(_even(table.step_us[who, channel], count), at.shape)
        if timed.any():
            since = np.where(timed[:, None], batch.since_us[at], since)
        value = _scaled(batch.raw[at], table.scale[who, channel], table.offset[who, channel])
        opened.pieces.append(Piece(int(k) >> 16, packet[mine], place[mine], batch.start_us[mine], since, value))


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
    made = {}
    for kind in sorted({p.kind for p in opened.pieces}):
        chosen = [p for p in (_usable(p, rank) for p in opened.pieces if p.kind == kind) if len(p.packet)]
        if chosen:
            made[kind] = _run(opened, chosen, rank, len(usable))
    return made


def _usable(piece: Piece, rank: Ints) -> Piece:
    keep = rank[piece.packet] >= 0
    if keep.all():
        return piece
    since = piece.since_us if piece.since_us.ndim == 1 else piece.since_us[keep]
    return Piece(piece.kind, piece.packet[keep], piece.place[keep], piece.start_us[keep], since, piece.value[keep])


def _run(opened: Opened, pieces: Sequence[Piece], rank: Ints, packets: int) -> Run:
    spots = _spots(pieces, rank, packets)
    blocks = sum(len(p.packet) for p in pieces)
    row, count = np.empty(blocks, np.intp), np.empty(blocks, np.int64)
    for piece, spot in zip(pieces, spots, strict=True):
        row[spot] = opened.row[piece.packet]
        count[spot] = piece.value.shape[1]
    total = int(count.sum())
    time_us, value = np.empty(total, np.int64), np.empty(total)
    first = np.cumsum(count) - count
    width = int(count[0])
    even = bool((count == width).all())
    for piece, spot in zip(pieces, spots, strict=True):
        times = piece.start_us[:, None] + piece.since_us
        if even:
            time_us.reshape(-1, width)[spot] = times
            value.reshape(-1, width)[spot] = piece.value
        else:
            at = first[spot][:, None] + np.arange(piece.value.shape[1])
            time_us[at], value[at] = times, piece.value
    return Run(row, count, time_us, value)


def _spots(pieces: Sequence[Piece], rank: Ints, packets: int) -> list[Ints]:
    """Where each block goes: by its packet's rank, then by its place in the packet."""
    present = np.zeros(packets, np.bool_)
    for piece in pieces:
        present[rank[piece.packet]] = True
    if int(np.count_nonzero(present)) == sum(len(p.packet) for p in pieces):
        position = np.cumsum(present) - 1
        return [position[rank[p.packet]] for p in pieces]
    keys = np.concatenate([rank[p.packet] * MAX_BLOCKS + p.place for p in pieces])  # a channel twice in a packet
    position = np.empty(len(keys), np.int64)
    position[np.argsort(keys, kind="stable")] = np.arange(len(keys))
    ends = np.cumsum([len(p.packet) for p in pieces])
    return list(np.split(position, ends[:-1]))

"""Each listener's samples onto their own even grid, on their own phone's clock, thousands of listeners in one call.

Grid point k lies at ``origin + k / grid_hz``; the first sample ever seen is the origin. All grid periods are whole
microseconds, so indices are exact integers. A grid point depends only on the samples around it, so any chunking of a
stream gives the same bits. Three ways to a grid value:

``linear``
    ``x[k] = v1 + (t1 - t[k]) / (t1 - t0) * (v0 - v1)`` between the samples around it. A stream exactly at grid rate
    passes through bit by bit. No delay.
``mean``
    The straight line between samples, averaged over the grid period that ends at k: ``grid_hz * integral``. The same
    for sensors faster and slower than the grid, and continuous in jittering times; delays by half a grid period.
``rectified``
    Mean of ``|v - slow|`` over the samples of the grid period that ends at k; ``slow`` is a running mean over 1 s.

Does not filter beyond that, does not judge the signal, and does not synchronise phones with one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column
from aggregator.dsp.grid import GridBlock

Mode = Literal["linear", "mean", "rectified"]

# A hole that no filter should run across (contract 5: what is late by 2 s is a gap).
HOLE_US = 2_000_000

# The widest spacing of two samples that still counts as uninterrupted, by grid rate. Pulse: 100 ms is what a band of
# 5 Hz needs at the least (Nyquist), which lets a slow camera pass. The others: 1.2-1.5 periods of the slowest sensor
# expected (skin 4 Hz, temperature 1 Hz with jitter, motion and breath 10 Hz, muscle 16 Hz, scalars 1 Hz).
BRIDGE_US = {64: 100_000, 8: 300_000, 1: 2_000_000, 16: 150_000, 32: 100_000, 4: 1_500_000}

# Running mean that a muscle's rectified value is taken around: slower than any contraction's carrier (> 10 Hz).
SLOW_MEAN_S = 1.0


@dataclass(slots=True)
class GridState(Columns):
    """Where each listener's stream of one channel kind stands on its grid."""

    origin_us: Ints = column(doc="phone time of grid index 0", dtype=np.int64)
    next: Ints = column(doc="grid index that the next grid point can have at the earliest", dtype=np.int64)
    time_us: Ints = column(doc="phone time of the newest sample", dtype=np.int64)
    value: Floats = column(doc="newest sample, NaN when missing", fill=np.nan)
    held: Floats = column(doc="newest valid grid value, filled in where a grid point is not valid")
    area: Floats = column(doc="mean: integral since the last grid point; rectified: sum of |v - slow|")
    cover: Floats = column(doc="mean: microseconds in area; rectified: samples in area")
    plain: Floats = column(doc="rectified: sum of samples since the last grid point")
    slow: Floats = column(doc="rectified: running mean of the samples, NaN before the first grid period", fill=np.nan)
    dropped: Ints = column(doc="samples dropped because their time ran backwards", dtype=np.int64)
    seen: Bools = column(doc="a sample has been seen", dtype=np.bool_)
    earliest: Ints = column(doc="grid index of the first grid point that the newest restart may give", dtype=np.int64)
    fresh: Bools = column(doc="no grid point since the last restart", dtype=np.bool_, fill=True)


@dataclass(slots=True)
class _Segments:
    """Samples of all runs, one after another, each with the sample before it. Axis 0: s samples, or r runs."""

    rows: Rows
    start: Ints  # (r,) first sample of each run
    count: Ints  # (r,)
    run: Ints  # (s,) which run a sample belongs to
    period_us: int
    rel: Ints  # (s,) microseconds since the grid's origin
    dt: Ints  # (s,) microseconds since the sample before, 1 where anew
    v: Floats  # (s,)
    v0: Floats  # (s,) the sample before, v itself where anew
    anew: Bools  # (s,) begins a restart
    gap: Bools  # (s,) too far from the sample before to be joined to it
    k0: Ints  # (s,) newest grid index before this segment
    n: Ints  # (s,) grid points in the segment, after the sample before and not after this one


@dataclass(slots=True)
class _Points:
    """Grid points of all runs, one after another: (e,) each."""

    k: Ints
    x: Floats
    valid: Bools


def resample(
    state: GridState,
    rows: Rows,
    first: Ints,
    count: Ints,
    time_us: Ints,
    value: Floats,
    jumped: Bools,
    *,
    grid_hz: int,
    mode: Mode,
    bridge_us: int | None = None,
) -> list[GridBlock]:
    """Fold new samples in and return the grid points that they complete.

    Args:
        state: one object a channel kind.
        rows: (r,) distinct rows of ``state``.
        first, count: (r,) each row's run in the flat arrays, ``count >= 0``.
        time_us: (s,) int64 phone clock, microseconds, ``|time_us| < 2**61``; non-decreasing within a row.
        value: (s,) NaN (or infinite) = missing.
        jumped: (r,) the phone clock was anchored anew, or a gap was declared, before the run's first sample.
        grid_hz: one of grid.py's rates (a divisor of 1,000,000).
        bridge_us: widest spacing of samples that is interpolated; by default :data:`BRIDGE_US`.

    Returns:
        Blocks to be processed in this order, nearly always one (none when no grid point is complete): a run with a
        hole of over 2 s inside it goes on in the next block, because a block is contiguous. Spacing over
        ``bridge_us`` and up to 2 s gives grid points that are not valid. After a hole the index steps over it on the
        same grid; where a jump leads back in time, the grid is anchored anew and the index goes on counting.
        Samples earlier than one before them are dropped and counted in ``state.dropped``.
    """
    if np.any(count <= 0):
        some = count > 0
        rows, first, count, jumped = rows[some], first[some], count[some], jumped[some]
    if not len(rows):
        return []
    period_us = 1_000_000 // grid_hz
    bridge_us = BRIDGE_US[grid_hz] if bridge_us is None else bridge_us
    t, v, start = _contiguous(first, count, time_us, value)
    t, v, start, count = _in_order(state, rows, start, count, t, v, jumped)
    live = count > 0
    if not live.all():
        rows, start, count, jumped = rows[live], start[live], count[live], jumped[live]
        if not len(rows):
            return []
    seg = _segments(state, rows, start, count, t, v, jumped, period_us, bridge_us, mode)
    made = {"linear": _linear, "mean": _mean, "rectified": _rectified}[mode](state, seg)
    blocks = _blocks(state, seg, made, mode)
    end = start + count - 1
    state.time_us[rows] = t[end]
    state.value[rows] = v[end]
    state.seen[rows] = True
    state.next[rows] = seg.k0[end] + seg.n[end] + 1
    return blocks


def _contiguous(first: Ints, count: Ints, time_us: Ints, value: Floats) -> tuple[Ints, Floats, Ints]:
    """The runs one after another, and where each starts."""
    ends = np.cumsum(count)
    start = ends - count
    if first[0] == 0 and ends[-1] == len(time_us) and np.array_equal(first, start):
        return time_us, value, start
    take = np.arange(ends[-1]) + np.repeat(first - start, count)
    return time_us[take], value[take], start


def _in_order(
    state: GridState, rows: Rows, start: Ints, count: Ints, t: Ints, v: Floats, jumped: Bools
) -> tuple[Ints, Floats, Ints, Ints]:
    """Drop the samples that are earlier than one before them, and count them."""
    floor = state.time_us[rows]
    anew = jumped | ~state.seen[rows]
    back = np.empty(len(t), np.bool_)
    np.less(t[1:], t[:-1], out=back[1:])
    back[start] = (t[start] < floor) & ~anew
    if not back.any():
        return t, v, start, count
    keep = np.ones(len(t), np.bool_)
    top = np.where(anew, np.minimum(floor, t[start]), floor)
    for j in range(int(count.max())):
        on = np.flatnonzero(count > j)
        at = start[on] + j
        keep[at] = t[at] >= top[on]
        top[on] = np.maximum(top[on], t[at])
    left = np.add.reduceat(keep.astype(np.int64), start)
    state.dropped[rows] += count - left
    return t[keep], v[keep], np.cumsum(left) - left, left


def _segments(
    state: GridState,
    rows: Rows,
    start: Ints,
    count: Ints,
    t: Ints,
    v: Floats,
    jumped: Bools,
    period_us: int,
    bridge_us: int,
    mode: Mode,
) -> _Segments:
    """Pair every sample with the one before it, anchor grids, and count the grid points between the two."""
    seen = state.seen[rows]
    t_first = t[start]
    origin = np.where(seen, state.origin_us[rows], t_first)
    again = seen & jumped & (t_first <= state.time_us[rows])
    if again.any():
        origin[again] = t_first[again] - state.next[rows][again] * period_us
    state.origin_us[rows] = origin
    run = np.repeat(np.arange(len(rows)), count)
    rel = t - origin[run]
    dt = np.empty_like(t)
    np.subtract(t[1:], t[:-1], out=dt[1:])
    dt[start] = t_first - state.time_us[rows]
    v0 = np.empty_like(v)
    v0[1:] = v[:-1]
    v0[start] = state.value[rows]
    anew = dt > HOLE_US
    anew[start] |= jumped | ~seen
    gap = dt > bridge_us
    k1 = rel // period_us
    k0 = np.empty_like(k1)
    k0[1:] = k1[:-1]
    k0[start] = state.next[rows] - 1
    at = np.flatnonzero(anew)
    if len(at):
        # A restart has no sample before it: it can give a grid point only where it lies on one, and only itself.
        k0[at] = (rel[at] - 1) // period_us if mode == "linear" else k1[at]
        dt[at], v0[at], gap[at] = 1, v[at], False
    return _Segments(rows, start, count, run, period_us, rel, dt, v, v0, anew, gap, k0, k1 - k0)


def _linear(state: GridState, seg: _Segments) -> _Points:  # noqa: ARG001 (the three modes share a shape)
    """Grid points on the straight line between samples."""
    n = seg.n
    if n.min() == 1 == n.max():
        k, rel, dt, v, v0, gap = seg.k0 + 1, seg.rel, seg.dt, seg.v, seg.v0, seg.gap
    else:
        of = np.repeat(np.arange(len(n)), n)
        k = np.arange(1, len(of) + 1) + (seg.k0 - np.cumsum(n) + n)[of]
        rel, dt, v, v0, gap = seg.rel[of], seg.dt[of], seg.v[of], seg.v0[of], seg.gap[of]
    ahead = rel - k * seg.period_us
    with np.errstate(invalid="ignore"):
        x = v + ahead / dt * (v0 - v)
    exact = ahead == 0
    np.copyto(x, v, where=exact)
    valid = np.isfinite(x)
    valid &= ~gap | exact
    return _Points(k, x, valid)


@dataclass(slots=True)
class _Pieces:
    """Segments cut at the grid points within them: (p,) pieces; a cell is what a grid point averages over."""

    of: Ints  # which segment
    j: Ints  # 0 .. n[of]
    cell: Ints  # numbered over all runs: closed by a grid point, or left open at a restart or a run's end
    carried: Ints  # (r,) the cell that what the state carries belongs to
    opened: Ints  # (r,) the cell still open at the end of each run
    closes: Ints  # (e,) the cell that each grid point closes
    k: Ints  # (e,)


def _pieces(seg: _Segments) -> _Pieces:
    n, s = seg.n, len(seg.n)
    of = np.repeat(np.arange(s), n + 1)
    before = np.cumsum(n) - n  # grid points before each segment
    at = np.arange(len(of))
    j = at - of - before[of]
    restarts = np.cumsum(seg.anew)
    cell = (at - of) + (seg.run + restarts)[of]
    first = seg.start
    carried = before[first] + np.arange(len(first)) + restarts[first] - seg.anew[first]
    end = first + seg.count - 1
    opened = before[end] + n[end] + np.arange(len(first)) + restarts[end]
    closing = j < n[of]
    closes = cell[closing]
    return _Pieces(of, j, cell, carried, opened, closes, (seg.k0[of] + 1 + j)[closing])


def _total(pieces: _Pieces, carry: Floats, amount: Floats) -> Floats:
    """Sum by cell, one addend after another in time order (bincount's order), so that chunking leaves no trace."""
    cells = int(pieces.opened[-1]) + 1
    where = np.concatenate((pieces.carried, pieces.cell))
    total: Floats = np.bincount(where, weights=np.concatenate((carry, amount)), minlength=cells).astype(np.float64)
    return total


def _mean(state: GridState, seg: _Segments) -> _Points:
    """Average of the straight line between samples over each grid period; valid where over half of it is covered."""
    p = _pieces(seg)
    of, period = p.of, seg.period_us
    n, rel, dt, k0 = seg.n[of], seg.rel[of], seg.dt[of], seg.k0[of]
    a = np.where(p.j == 0, rel - dt, (k0 + p.j) * period)
    b = np.where(p.j == n, rel, (k0 + 1 + p.j) * period)
    with np.errstate(invalid="ignore"):
        slope = (seg.v0 - seg.v) / np.maximum(seg.dt, 1)
    level = seg.v[of] + (rel - 0.5 * (a + b)) * slope[of]
    good = np.isfinite(level) & ~(seg.gap | seg.anew)[of]
    span = np.where(good, b - a, 0).astype(np.float64)
    amount = np.where(good, level, 0.0) * span
    rows = seg.rows
    area = _total(p, state.area[rows], amount)
    cover = _total(p, state.cover[rows], span)
    state.area[rows] = area[p.opened]
    state.cover[rows] = cover[p.opened]
    got = cover[p.closes]
    valid = got >= 0.5 * period
    return _Points(p.k, area[p.closes] / np.maximum(got, 1.0), valid)


def _rectified(state: GridState, seg: _Segments) -> _Points:
    """Mean absolute deviation from the slow running mean over each grid period; no sample in it: not valid."""
    p = _pieces(seg)
    rows, n = seg.rows, seg.n
    # A sample on a grid point still belongs to the period that ends there.
    last = np.cumsum(n + 1) - 1
    at = last - ((seg.rel % seg.period_us == 0) & (n > 0))
    good = np.isfinite(seg.v)
    v = np.where(good, seg.v, 0.0)
    one, plain = np.zeros(len(p.of)), np.zeros(len(p.of))
    one[at], plain[at] = good, v
    cover = _total(p, state.cover[rows], one)
    total = _total(p, state.plain[rows], plain)
    slow = _slow_mean(state, seg, p, total, cover)
    deviation = np.zeros(len(p.of))
    around = slow[p.cell[at]]
    deviation[at] = np.where(good & np.isfinite(around), np.abs(v - around), 0.0)
    area = _total(p, state.area[rows], deviation)
    state.area[rows], state.cover[rows], state.plain[rows] = area[p.opened], cover[p.opened], total[p.opened]
    got = cover[p.closes]
    valid = (got > 0) & np.isfinite(slow[p.closes])
    return _Points(p.k, area[p.closes] / np.maximum(got, 1.0), valid)


def _slow_mean(state: GridState, seg: _Segments, p: _Pieces, total: Floats, cover: Floats) -> Floats:
    """The running mean at the start of every cell, taken on by each closed cell in turn."""
    gain = 1.0 - np.exp(-seg.period_us * 1e-6 / SLOW_MEAN_S)
    closed = np.zeros(len(total), np.bool_)
    closed[p.closes] = True
    slow_at = np.empty(len(total))
    slow = state.slow[seg.rows]
    cells = p.opened - p.carried + 1
    for j in range(int(cells.max())):
        on = np.flatnonzero(cells > j)
        c = p.carried[on] + j
        slow_at[c] = slow[on]
        mean = total[c] / np.maximum(cover[c], 1.0)
        moved = np.where(np.isnan(slow[on]), mean, slow[on] + gain * (mean - slow[on]))
        slow[on] = np.where(closed[c] & (cover[c] > 0), moved, slow[on])
    state.slow[seg.rows] = slow
    return slow_at


def _blocks(state: GridState, seg: _Segments, made: _Points, mode: Mode) -> list[GridBlock]:
    """Cut the grid points into blocks: the runs up to their first inner restart, then from there to the next, ..."""
    rows, n = seg.rows, seg.n
    ends = np.cumsum(n)
    before = ends - n
    run_first = before[seg.start]
    run_last = ends[seg.start + seg.count - 1]
    _fill(state, seg, made, run_first, run_last)
    inner = seg.anew.copy()
    inner[seg.start] = False
    breaks = np.flatnonzero(inner)
    if not len(breaks):
        return _part(state, seg, rows, seg.start, run_first, run_last, made, mode)
    at = np.sort(np.concatenate((seg.start, breaks)))
    run = seg.run[at]
    part_first = before[at]
    part_last = np.append(part_first[1:], ends[-1])
    level = np.arange(len(at)) - np.searchsorted(at, seg.start)[run]
    blocks = []
    for j in range(int(level.max()) + 1):
        on = np.flatnonzero(level == j)
        blocks += _part(state, seg, rows[run[on]], at[on], part_first[on], part_last[on], made, mode)
    return blocks


def _part(
    state: GridState, seg: _Segments, rows: Rows, at: Ints, first: Ints, last: Ints, made: _Points, mode: Mode
) -> list[GridBlock]:
    """The block of the parts of runs that begin at samples ``at`` and have grid points ``first`` to ``last``."""
    anew = seg.anew[at]
    if anew.any():
        half = 0 if mode == "linear" else seg.period_us // 2
        begun = at[anew]
        state.earliest[rows[anew]] = -((-seg.rel[begun] - half) // seg.period_us)
    return _level(state, rows, first, last, state.fresh[rows] | anew, state.earliest[rows], made)


def _fill(state: GridState, seg: _Segments, made: _Points, run_first: Ints, run_last: Ints) -> None:
    """Give grid points that are not valid the last valid value of their listener, 0 before the first."""
    rows, some = seg.rows, run_last > run_first
    if made.valid.all():
        state.held[rows[some]] = made.x[run_last[some] - 1]
        return
    run = np.repeat(np.arange(len(rows)), run_last - run_first)
    pos = np.where(made.valid, np.arange(len(run)), -1)
    np.maximum.accumulate(pos, out=pos)
    none = pos < run_first[run]
    made.x = np.where(none, state.held[rows][run], made.x[np.maximum(pos, 0)])
    state.held[rows[some]] = made.x[run_last[some] - 1]


def _level(
    state: GridState, rows: Rows, first: Ints, last: Ints, fresh: Bools, earliest: Ints, made: _Points
) -> list[GridBlock]:
    """One block from grid points ``first`` to ``last`` (exclusive) of each row; rows without any stay fresh."""
    if fresh.any():
        # The grid period in which a stream began may be covered only partly: too short a part says nothing.
        some = np.flatnonzero(fresh & (last > first))
        first = first.copy()
        first[some] += made.k[first[some]] < earliest[some]
    size = last - first
    state.fresh[rows] = fresh & (size == 0)
    order = _falling(rows, size)
    if not len(order):
        return []
    first, size = first[order], size[order]
    step = np.arange(int(size[0]))[:, None]
    at = first + np.minimum(step, size - 1)
    valid = made.valid[at]
    valid &= step < size
    return [GridBlock(rows[order], size, made.k[first], fresh[order], made.x[at], valid)]


def _falling(rows: Rows, size: Ints) -> Rows:
    """Order by falling size, then rising row; empty ones left out."""
    if not np.all(rows[1:] > rows[:-1]):
        return np.lexsort((rows, -size))[: int(np.count_nonzero(size))]
    if size.min() == size.max():
        return np.arange(len(rows) if size[0] else 0)
    # Stable on 16 bits is a radix sort.
    small = (np.uint16(65535) - np.minimum(size, 65535).astype(np.uint16)).astype(np.uint16)
    return np.argsort(small, kind="stable")[: int(np.count_nonzero(size))]

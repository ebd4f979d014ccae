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

from typing import Literal

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.dsp.grid import GridBlock
from aggregator.dsp.grid_points import Points, linear, mean, rectified
from aggregator.dsp.in_step import in_step
from aggregator.dsp.segments import GridState, Segments, contiguous, in_order, pair

__all__ = ["BRIDGE_US", "GridState", "Mode", "resample"]

Mode = Literal["linear", "mean", "rectified"]

# The widest spacing of two samples that still counts as uninterrupted, by grid rate. Pulse: 100 ms is what a band of
# 5 Hz needs at the least (Nyquist), which lets a slow camera pass. The others: 1.2-1.5 periods of the slowest sensor
# expected (skin 4 Hz, temperature 1 Hz with jitter, motion and breath 10 Hz, muscle 16 Hz, scalars 1 Hz).
BRIDGE_US = {64: 100_000, 8: 300_000, 1: 2_000_000, 16: 150_000, 32: 100_000, 4: 1_500_000}

_MODES = {"linear": linear, "mean": mean, "rectified": rectified}


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
    if np.count_nonzero(count) < count.size:
        some = count > 0
        rows, first, count, jumped = rows[some], first[some], count[some], jumped[some]
    if not len(rows):
        return []
    period_us = 1_000_000 // grid_hz
    bridge_us = BRIDGE_US[grid_hz] if bridge_us is None else bridge_us
    t, v, start = contiguous(first, count, time_us, value)
    if mode != "rectified" and 2 * period_us <= bridge_us:
        block = in_step(state, rows, count, t, v, jumped, period_us, averaged=mode == "mean")
        if block is not None:
            return [block]
    anew = jumped | ~state.seen[rows]
    with np.errstate(invalid="ignore"):
        t, v, start, count = in_order(state, rows, start, count, t, v, anew)
        if np.count_nonzero(count) < count.size:
            some = count > 0
            rows, start, count, anew = rows[some], start[some], count[some], anew[some]
            if not len(rows):
                return []
        seg = pair(state, rows, start, count, t, v, anew, period_us, bridge_us, mode == "linear")
        made = _MODES[mode](state, seg)
    blocks = _blocks(state, seg, made, 0 if mode == "linear" else period_us // 2)
    state.time_us[rows] = t[seg.end]
    state.value[rows] = v[seg.end]
    state.seen[rows] = True
    state.next[rows] = seg.k[seg.end] + 1
    return blocks


def _blocks(state: GridState, seg: Segments, made: Points, half_us: int) -> list[GridBlock]:
    """Cut the grid points into blocks: the runs up to their first inner restart, then from there to the next, ..."""
    first, last = seg.firsts(), seg.ends[seg.end]
    _fill(state, seg, made, first, last)
    inner = seg.restarts
    if len(inner):
        inner = inner[inner != seg.start[seg.run[inner]]]
    if not len(inner):
        return _part(state, seg, seg.rows, seg.start, first, last, made, half_us)
    at = np.sort(np.concatenate((seg.start, inner)))
    run = seg.run[at]
    first = seg.ends[at] - seg.n[at]
    last = np.append(first[1:], seg.ends[-1])
    level = np.arange(len(at)) - np.searchsorted(at, seg.start)[run]
    blocks = []
    for j in range(int(level.max()) + 1):
        on = np.flatnonzero(level == j)
        blocks += _part(state, seg, seg.rows[run[on]], at[on], first[on], last[on], made, half_us)
    return blocks


def _part(
    state: GridState, seg: Segments, rows: Rows, at: Ints, first: Ints, last: Ints, made: Points, half_us: int
) -> list[GridBlock]:
    """The block of the parts of runs that begin at samples ``at`` and have grid points ``first`` to ``last``.

    Rows without a grid point stay fresh. Where a stream began within a grid period of which less than half is left,
    that period says nothing and gives no grid point.
    """
    fresh = state.fresh[rows]
    if len(seg.restarts):
        begun = np.isin(at, seg.restarts)
        state.earliest[rows[begun]] = -((-seg.rel[at[begun]] - half_us) // seg.period_us)
        fresh |= begun
    if np.count_nonzero(fresh):
        some = np.flatnonzero(fresh & (last > first))
        first = first.copy()
        first[some] += made.k[first[some]] < state.earliest[rows[some]]
    size = last - first
    state.fresh[rows] = fresh & (size == 0)
    order = _falling(rows, size)
    if not len(order):
        return []
    if len(order) == len(rows) and size[0] * len(rows) == len(made.k) and (size == size[0]).all():
        # Equally many points of every run, one run after another.
        x = np.ascontiguousarray(made.x.reshape(len(rows), -1).T)
        valid = np.ascontiguousarray(made.valid.reshape(len(rows), -1).T)
        return [GridBlock(rows, size, made.k[first], fresh, x, valid)]
    first, size = first[order], size[order]
    step = np.arange(int(size[0]))[:, None]
    at = first + np.minimum(step, size - 1)
    valid = step < size
    if np.count_nonzero(made.valid) < made.valid.size:
        valid &= made.valid.take(at)
    return [GridBlock(rows[order], size, made.k[first], fresh[order], made.x.take(at), valid)]


def _fill(state: GridState, seg: Segments, made: Points, first: Ints, last: Ints) -> None:
    """Give grid points that are not valid the last valid value of their listener, 0 before the first."""
    rows, some = seg.rows, last > first
    if np.count_nonzero(made.valid) == made.valid.size:
        state.held[rows[some]] = made.x[last[some] - 1]
        return
    run = np.repeat(np.arange(len(rows)), last - first)
    pos = np.where(made.valid, np.arange(len(run)), -1)
    np.maximum.accumulate(pos, out=pos)
    none = pos < first[run]
    made.x = np.where(none, state.held[rows][run], made.x[np.maximum(pos, 0)])
    state.held[rows[some]] = made.x[last[some] - 1]


def _falling(rows: Rows, size: Ints) -> Rows:
    """Order by falling size, then rising row; empty ones left out."""
    if not (rows[1:] > rows[:-1]).all():
        return np.lexsort((rows, -size))[: int(np.count_nonzero(size))]
    if size.min() == size.max():
        return np.arange(len(rows) if size[0] else 0)
    # Stable on 16 bits is a radix sort.
    small = (65535 - np.minimum(size, 65535)).astype(np.uint16)
    return np.argsort(small, kind="stable")[: int(np.count_nonzero(size))]

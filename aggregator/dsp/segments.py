"""Runs of samples as segments: each sample joined to the one before it, and the grid points that lie between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column

# A hole that no filter should run across (contract 5: what is late by 2 s is a gap).
HOLE_US = 2_000_000


@dataclass(slots=True)
class GridState(Columns):
    """Where each listener's stream of one channel kind stands on its grid."""

    origin_us: Ints = column(doc="phone time of grid index 0", dtype=np.int64)
    next: Ints = column(doc="grid index that the next grid point can have at the earliest", dtype=np.int64)
    time_us: Ints = column(doc="phone time of the newest sample", dtype=np.int64)
    value: Floats = column(doc="newest sample, NaN when missing", fill=np.nan)
    held: Floats = column(doc="newest valid grid value, filled in where a grid point is not valid")
    area: Floats = column(doc="mean: integral since the last grid point, unit * us; rectified: sum of |v - slow|")
    cover: Floats = column(doc="mean: us since the last grid point NOT in area; rectified: samples in area")
    plain: Floats = column(doc="rectified: sum of samples since the last grid point")
    slow: Floats = column(doc="rectified: running mean of the samples, NaN before the first grid period", fill=np.nan)
    dropped: Ints = column(doc="samples dropped because their time ran backwards", dtype=np.int64)
    seen: Bools = column(doc="a sample has been seen", dtype=np.bool_)
    earliest: Ints = column(doc="grid index of the first grid point that the newest restart may give", dtype=np.int64)
    fresh: Bools = column(doc="no grid point since the last restart", dtype=np.bool_, fill=True)


@dataclass(slots=True)
class Segments:
    """Samples of all runs, one after another: s samples in r runs; restarts and gaps are sparse index lists."""

    rows: Rows
    start: Ints  # (r,) first sample of each run
    end: Ints  # (r,) last sample of each run
    count: Ints  # (r,) samples of each run
    period_us: int
    rel: Ints  # (s,) microseconds since the grid's origin
    ahead: Ints  # (s,) microseconds since the newest grid point
    dt: Ints  # (s,) microseconds since the sample before, at least 1
    v: Floats  # (s,)
    slope: Floats  # (s,) towards the sample before, unit a microsecond; 0 at a restart
    restarts: Ints  # samples that begin anew
    gaps: Ints  # samples too far from the one before them to be joined to it
    k: Ints  # (s,) newest grid index at or before the sample
    n: Ints  # (s,) grid points after the sample before and not after this one
    ends: Ints  # (s,) grid points up to and including each segment's

    @property
    def run(self) -> Ints:
        """(s,) which run a sample belongs to."""
        return np.repeat(np.arange(len(self.rows)), self.count)

    def firsts(self) -> Ints:
        """Where each run's grid points begin among all runs'."""
        return self.ends[self.start] - self.n[self.start]

    def expand(self) -> Ints:
        """The segment of each grid point."""
        inside = np.flatnonzero(self.n)
        total = int(self.ends[-1])
        if len(inside) == total:
            return inside
        marks = np.zeros(total, np.int64)
        marks[0] = inside[0]
        marks[self.ends[inside[:-1]]] = inside[1:] - inside[:-1]
        return np.cumsum(marks)

    def points_of(self, segments: Ints) -> tuple[Ints, Ints]:
        """All grid points in the given segments, and which of the given segments each is in."""
        n = self.n[segments]
        of = np.repeat(np.arange(len(segments)), n)
        stop = np.cumsum(n)
        return np.arange(len(of)) - (stop - n)[of] + (self.ends[segments] - n)[of], of


def contiguous(first: Ints, count: Ints, time_us: Ints, value: Floats) -> tuple[Ints, Floats, Ints]:
    """The runs one after another, and where each starts."""
    ends = np.cumsum(count)
    start = ends - count
    if ends[-1] == len(time_us) and np.count_nonzero(first == start) == len(start):
        return time_us, value, start
    take = np.arange(ends[-1]) + np.repeat(first - start, count)
    return time_us[take], value[take], start


def spread(each: Ints, count: Ints) -> Ints:
    """A run's number for every sample of it."""
    width = int(count[0])
    if np.count_nonzero(count == width) == len(count):
        return np.broadcast_to(each[:, None], (len(each), width)).reshape(-1)
    return np.repeat(each, count)


def in_order(
    state: GridState, rows: Rows, start: Ints, count: Ints, t: Ints, v: Floats, anew: Bools
) -> tuple[Ints, Floats, Ints, Ints]:
    """Drop the samples that are earlier than one before them, and count them."""
    floor = state.time_us[rows]
    t_first = t[start]
    back = t[1:] < t[:-1]
    back[start[1:] - 1] = False
    if not np.count_nonzero(back) and not ((t_first < floor) & ~anew).any():
        return t, v, start, count
    keep = np.ones(len(t), np.bool_)
    top = np.where(anew, t_first, floor)
    for j in range(int(count.max())):
        on = np.flatnonzero(count > j)
        at = start[on] + j
        keep[at] = t[at] >= top[on]
        top[on] = np.maximum(top[on], t[at])
    left = np.add.reduceat(keep.astype(np.int64), start)
    state.dropped[rows] += count - left
    return t[keep], v[keep], np.cumsum(left) - left, left


def pair(
    state: GridState,
    rows: Rows,
    start: Ints,
    count: Ints,
    t: Ints,
    v: Floats,
    anew: Bools,
    period_us: int,
    bridge_us: int,
    to_itself: bool,
) -> Segments:
    """Join every sample to the one before it, anchor grids, and count the grid points between the two.

    A restart has no sample before it: with ``to_itself`` it gives a grid point where it lies on one, else none.
    """
    end = start + count - 1
    t_first, before, next_k = t[start], state.time_us[rows], state.next[rows]
    if np.count_nonzero(anew):
        _anchor(state, rows, anew, t_first, before, next_k, period_us)
    rel = t - spread(state.origin_us[rows], count)
    dt = np.empty_like(t)
    np.subtract(t[1:], t[:-1], out=dt[1:])
    dt[start] = t_first - before
    k = rel // period_us
    n = np.empty_like(k)
    np.subtract(k[1:], k[:-1], out=n[1:])
    n[start] = k[start] - next_k + 1
    dv = np.empty_like(v)
    np.subtract(v[:-1], v[1:], out=dv[1:])
    dv[start] = state.value[rows] - v[start]
    ahead = rel - k * period_us
    restarts = gaps = start[:0]
    if dt.max() > bridge_us or np.count_nonzero(anew):
        broken = dt > HOLE_US
        broken[start] |= anew
        restarts = np.flatnonzero(broken)
        n[restarts] = (ahead[restarts] == 0) if to_itself else 0
        dt[restarts], dv[restarts] = 1, 0.0
        gaps = np.flatnonzero(dt > bridge_us)
    slope = dv / np.maximum(dt, 1, out=dt)
    return Segments(rows, start, end, count, period_us, rel, ahead, dt, v, slope, restarts, gaps, k, n, np.cumsum(n))


def _anchor(
    state: GridState, rows: Rows, anew: Bools, t_first: Ints, before: Ints, next_k: Ints, period_us: int
) -> None:
    """First contact begins the grid at its first sample; a jump back in time lets the index go on from there."""
    born = ~state.seen[rows]
    state.origin_us[rows[born]] = t_first[born]
    back = anew & ~born & (t_first <= before)
    state.origin_us[rows[back]] = t_first[back] - next_k[back] * period_us

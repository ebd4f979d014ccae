"""From segments to grid points: on the line, averaged over the grid period, or rectified. See resample.py."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Ints
from aggregator.dsp.segments import GridState, Segments

# Running mean that a muscle's rectified value is taken around: long beside its carrier (over 10 Hz), short beside the
# drift of an electrode.
SLOW_MEAN_S = 1.0


@dataclass(slots=True)
class Points:
    """Grid points of all runs, one after another: (e,) each. ``x`` is anything where not valid."""

    k: Ints
    x: Floats
    valid: Bools


def linear(state: GridState, seg: Segments) -> Points:  # noqa: ARG001 (the three modes share a shape)
    """On the straight line between samples: ``x = v + ahead * slope``."""
    line = seg.v + seg.ahead * seg.slope
    of = seg.expand()
    k = seg.k.take(of)
    x = line.take(of)
    if len(of) > np.count_nonzero(seg.n):
        later = seg.ends.take(of) - np.arange(1, len(of) + 1)
        k -= later
        some = np.flatnonzero(later)
        x[some] += later[some] * seg.period_us * seg.slope[of[some]]
    valid = np.isfinite(x)
    if len(seg.gaps):
        valid[seg.points_of(seg.gaps)[0]] = False
    if not valid.all():
        # A grid point that a sample lies on needs no neighbour.
        last = np.flatnonzero(~valid)
        at = of[last]
        on = (seg.ahead[at] == 0) & (seg.ends[at] == last + 1)
        x[last[on]] = seg.v[at[on]]
        valid[last] = on & np.isfinite(seg.v[at])
    return Points(k, x, valid)


def mean(state: GridState, seg: Segments) -> Points:
    """The line's average over the grid period that ends at k; valid where over half of the period is known.

    The integral since the newest grid point is carried from segment to segment (``post``, added up in time order, so
    that chunking leaves no trace), closed with what lies before the next grid point (``pre``). Periods that lie
    wholly within one segment are the line's value at their middle.
    """
    rows, n, period = seg.rows, seg.n, seg.period_us
    known = np.isfinite(seg.slope)
    known[seg.gaps] = False
    known[seg.restarts] = False
    span = np.minimum(seg.ahead, seg.dt)
    closing = np.flatnonzero(n)
    middle = seg.ahead[closing] + (n[closing] - 1) * period  # from the sample back to the segment's first grid point
    left = seg.dt[closing] - middle
    v, slope = seg.v[closing], seg.slope[closing]
    pre = left * (v + slope * (middle + 0.5 * left))
    post = span * (seg.v + 0.5 * span * seg.slope)
    all_known = bool(known.all())
    if not all_known:
        pre[~known[closing]] = 0.0
        post[~known] = 0.0
    cells = _Cells(seg, closing)
    area = cells.total(state.area[rows], post)
    state.area[rows] = area[cells.opened]
    x = (area[cells.closed] + pre) / period
    valid = np.ones(len(closing), np.bool_)
    lost_before = state.cover[rows]
    if not all_known or lost_before.any():
        lost = np.where(known, 0, span).astype(np.float64)
        lost[seg.restarts] = seg.ahead[seg.restarts]
        missing = cells.total(lost_before, lost)
        state.cover[rows] = missing[cells.opened]
        got = period - missing[cells.closed] - np.where(known[closing], 0, left)
        valid = got >= 0.5 * period
        x = (area[cells.closed] + pre) / np.maximum(got, 1.0)
    return _with_inner(seg, closing, known, x, valid)


def _with_inner(seg: Segments, closing: Ints, known: Bools, x_first: Floats, valid_first: Bools) -> Points:
    """Put the grid points that close a carried period among those whose period lies within one segment."""
    n = seg.n[closing]
    if len(closing) == int(seg.ends[-1]):
        return Points(seg.k[closing], x_first, valid_first)
    of = seg.expand()
    later = seg.ends[of] - np.arange(1, len(of) + 1)
    x = seg.v[of] + seg.slope[of] * (seg.ahead[of] + (later + 0.5) * seg.period_us)
    valid = known[of]
    at = seg.ends[closing] - n
    x[at], valid[at] = x_first, valid_first
    return Points(seg.k[of] - later, x, valid)


class _Cells:
    """Numbers for what is added up between grid points: one a run, one more after each closing and each restart."""

    def __init__(self, seg: Segments, closing: Ints) -> None:
        step = np.zeros(len(seg.n), np.int64)
        step[closing] = 1
        step[seg.restarts] += 1
        self.of = np.cumsum(step) + seg.run  # the cell that is open after each segment
        self.opened = self.of[seg.end]
        self.carried = self.of[seg.start] - step[seg.start]
        self.closed = self.of[closing] - 1

    def total(self, carry: Floats, amount: Floats) -> Floats:
        """What is carried, then each segment's amount in the order of time (bincount adds in order)."""
        cells = np.concatenate((self.carried, self.of))
        total: Floats = np.bincount(cells, np.concatenate((carry, amount))).astype(np.float64, copy=False)
        return total


def rectified(state: GridState, seg: Segments) -> Points:
    """Mean ``|v - slow|`` of the samples in each grid period; valid when there was a sample and ``slow`` is known."""
    rows, n = seg.rows, seg.n
    closing = np.flatnonzero(n)
    cells = _Cells(seg, closing)
    # A sample on a grid point still belongs to the period that ends there.
    inside = cells.of.copy()
    inside[closing] -= seg.ahead[closing] == 0
    good = np.isfinite(seg.v)
    v = np.where(good, seg.v, 0.0)
    cells.of = inside
    cover = cells.total(state.cover[rows], good.astype(np.float64))
    total = cells.total(state.plain[rows], v)
    size = int(cells.opened[-1]) + 1
    cover, total = np.append(cover, np.zeros(size - len(cover))), np.append(total, np.zeros(size - len(total)))
    slow = _slow_mean(state, seg, cells, total, cover)
    around = slow[inside]
    deviation = np.where(good & np.isfinite(around), np.abs(v - around), 0.0)
    area = cells.total(state.area[rows], deviation)
    area = np.append(area, np.zeros(size - len(area)))
    state.area[rows], state.cover[rows] = area[cells.opened], cover[cells.opened]
    state.plain[rows] = total[cells.opened]
    got = cover[cells.closed]
    valid = (got > 0) & np.isfinite(slow[cells.closed])
    return _with_inner(seg, closing, np.zeros(len(n), np.bool_), area[cells.closed] / np.maximum(got, 1.0), valid)


def _slow_mean(state: GridState, seg: Segments, cells: _Cells, total: Floats, cover: Floats) -> Floats:
    """The running mean at the start of every cell, taken on by each closed cell in turn."""
    gain = 1.0 - np.exp(-seg.period_us * 1e-6 / SLOW_MEAN_S)
    closed = np.zeros(len(total), np.bool_)
    closed[cells.closed] = True
    slow_at = np.empty(len(total))
    slow = state.slow[seg.rows]
    many = cells.opened - cells.carried + 1
    for j in range(int(many.max())):
        on = np.flatnonzero(many > j)
        c = cells.carried[on] + j
        slow_at[c] = slow[on]
        here = total[c] / np.maximum(cover[c], 1.0)
        moved = np.where(np.isnan(slow[on]), here, slow[on] + gain * (here - slow[on]))
        slow[on] = np.where(closed[c] & (cover[c] > 0), moved, slow[on])
    state.slow[seg.rows] = slow
    return slow_at

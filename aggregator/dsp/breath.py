"""Respiration from a belt or the like (any unit, rising while breathing in): onsets, rate, depth.

The signal is smoothed by two poles of 0.15 s and freed of its mean over 8 s. A breath begins at the lowest point
before a rise of half the running deviation, once the signal has fallen as much from its highest point: hysteresis,
so that a tremble on the slope is no breath.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.dsp.filters import one_pole_gain
from aggregator.dsp.grid import BREATH_HZ, Events, GridBlock

SMOOTH_S, BASE_S, SPREAD_S = 0.15, 8.0, 10.0
HYSTERESIS = 0.5  # of the running standard deviation: a sine's is 0.71 of its amplitude
SHORTEST_S, LONGEST_S = 1.0, 15.0  # 4 to 60 breaths a minute: common practice
NEWEST_SHARE = 0.4  # of the newest breath in rate and depth: about three breaths
SURE_BREATHS = 3.0
QUALITY_S = 2.0
DELAY_STEPS = 2.0 * SMOOTH_S * BREATH_HZ + 0.5  # of the two poles, and of averaging over the grid period

_SMOOTH_GAIN = one_pole_gain(SMOOTH_S, BREATH_HZ)
_BASE_GAIN = one_pole_gain(BASE_S, BREATH_HZ)
_SPREAD_GAIN = one_pole_gain(SPREAD_S, BREATH_HZ)
_QUALITY_GAIN = one_pole_gain(QUALITY_S, BREATH_HZ)

(_A, _B, _BASE, _POWER, _SHARE, _LOW, _LOW_AT, _HIGH, _IN, _ONSET, _BREATHS, _TRUST, _SPAN) = range(13)


@dataclass(slots=True)
class BreathState(Columns):
    """Features: ``rate_per_min``, ``depth`` (the sensor's unit), ``quality``, ``index``."""

    core: Floats = column(doc="smoothing, spread, the breath under way: see the indices above", tail=(13,))
    begun: Bools = column(doc="the smoothing has a value that the next sample follows", dtype=np.bool_)
    index: Ints = column(doc="newest grid index, -1 before the first", dtype=np.int64, fill=-1)
    rate_per_min: Floats = column(doc="breaths a minute, about the last three", fill=np.nan)
    depth: Floats = column(doc="lowest to highest, about the last three breaths, the sensor's unit", fill=np.nan)
    quality: Floats = column(doc="trust, [0, 1]: samples there, three breaths seen, the last under 15 s ago")


def update(state: BreathState, block: GridBlock) -> Events:
    """Fold a block (16 Hz) in. Event: ``index`` of a breath's onset, ``value`` seconds since the last (NaN: none).

    Decided about a tenth of a breath after the onset plus 0.3 s. Does not tell speech or a sigh from breathing; the
    smoothing takes 13 % of the depth at 24 breaths a minute, 28 % at 40.
    """
    if block.empty:
        return Events.none()
    rows = block.rows
    c = np.ascontiguousarray(state.core[rows].T)
    begun = state.begun[rows] & ~block.restart
    rate, depth = state.rate_per_min[rows], state.depth[rows]
    events = []
    for j, n in block.steps():
        index = block.index[:n] + j
        at = _step(c[:, :n], block.x[j, :n], block.valid[j, :n], begun[:n], index)
        if len(at):
            events.append(_breathe(c, at, rows, rate, depth))
    state.core[rows], state.begun[rows] = c.T, begun
    state.rate_per_min[rows], state.depth[rows] = rate, depth
    newest = block.index + block.count - 1
    state.index[rows] = newest
    fresh = (c[_BREATHS] > 0.0) & (newest - c[_ONSET] < LONGEST_S * BREATH_HZ)
    state.quality[rows] = c[_TRUST] * fresh * np.minimum(c[_BREATHS] / SURE_BREATHS, 1.0)
    return Events.join(events)


def _step(c: Floats, x: Floats, valid: Bools, begun: Bools, index: Ints) -> Ints:
    """One sample a listener; returns who has begun a breath (its lowest point is in _LOW, _LOW_AT)."""
    first = valid & ~begun
    for row in (_A, _B, _BASE):
        c[row] = np.where(first, x, c[row])
    for row in (_LOW, _HIGH, _IN, _BREATHS):
        c[row] = np.where(first, 0.0, c[row])
    c[_LOW_AT] = np.where(first, index, c[_LOW_AT])
    c[_A] += (_SMOOTH_GAIN * valid) * (x - c[_A])
    c[_B] += (_SMOOTH_GAIN * valid) * (c[_A] - c[_B])
    c[_BASE] += (_BASE_GAIN * valid) * (c[_B] - c[_BASE])
    y = c[_B] - c[_BASE]
    c[_POWER] += (_SPREAD_GAIN * valid) * (y * y - c[_POWER])
    c[_SHARE] += (_SPREAD_GAIN * valid) * (1.0 - c[_SHARE])
    c[_TRUST] += _QUALITY_GAIN * (valid - c[_TRUST])
    begun |= valid
    step = HYSTERESIS * np.sqrt(c[_POWER] / np.maximum(c[_SHARE], 1e-9))
    return _turn(c, y, step, valid, index)


def _turn(c: Floats, y: Floats, step: Floats, valid: Bools, index: Ints) -> Ints:
    """Follow the extremes; a turn upwards by more than ``step`` begins a breath."""
    inward = c[_IN] > 0.0
    lower = valid & ~inward & (y < c[_LOW])
    c[_LOW] = np.where(lower, y, c[_LOW])
    c[_LOW_AT] = np.where(lower, index, c[_LOW_AT])
    c[_HIGH] = np.where(valid & inward, np.maximum(c[_HIGH], y), c[_HIGH])
    begins = valid & ~inward & (y > c[_LOW] + step) & (step > 0.0)
    ends = valid & inward & (y < c[_HIGH] - step)
    c[_HIGH] = np.where(begins, y, c[_HIGH])
    c[_IN] = np.where(begins, 1.0, np.where(ends, 0.0, c[_IN]))
    at = np.flatnonzero(ends)
    c[_SPAN, at] = c[_HIGH, at] - c[_LOW, at]  # depth of the breath in, read when the next one begins
    c[_LOW, at], c[_LOW_AT, at] = y[at], index[at]
    return np.flatnonzero(begins)


def _breathe(c: Floats, at: Ints, rows: Ints, rate: Floats, depth: Floats) -> Events:
    """Take a breath into rate and depth."""
    onset = c[_LOW_AT, at]
    period_s = np.where(c[_BREATHS, at] > 0.0, (onset - c[_ONSET, at]) / BREATH_HZ, np.nan)
    plausible = (period_s >= SHORTEST_S) & (period_s <= LONGEST_S)
    for feature, value in ((rate, 60.0 / np.maximum(period_s, SHORTEST_S)), (depth, c[_SPAN, at])):
        old = feature[at]
        new = np.where(np.isnan(old), value, old + NEWEST_SHARE * (value - old))
        feature[at] = np.where(plausible, new, old)
    c[_ONSET, at] = onset
    c[_BREATHS, at] = np.where(plausible | np.isnan(period_s), c[_BREATHS, at] + 1.0, 1.0)
    return Events(rows[at], onset - DELAY_STEPS, period_s)

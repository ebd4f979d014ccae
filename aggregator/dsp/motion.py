"""Movement from a phone's accelerometer: 0 seated still, towards 1 dancing or walking.

The magnitude of acceleration (m/s2, 16 Hz) less its mean over 0.32 s (a corner of 0.5 Hz: gravity and tilting fall
out; the grid itself ends the band at 8 Hz), squared, averaged over 3 s; ``movement = power / (power + 0.5**2)``.
Root mean square 0.05 m/s2 (seated) reads 0.01, 0.5 reads 0.5, 2 (walking) 0.94.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.dsp.filters import one_pole_gain
from aggregator.dsp.grid import MOTION_HZ, Events, GridBlock

CORNER_HZ = 0.5
POWER_S = 3.0
HALF_MS2 = 0.5  # common practice: beyond what a seated listener shows, well below walking (1.5-3 m/s2)
HIGHEST_MS2 = 160.0  # 16 g, the largest range of phones' sensors
QUALITY_S = 2.0

_MEAN_GAIN = one_pole_gain(1.0 / (2.0 * np.pi * CORNER_HZ), MOTION_HZ)
_POWER_GAIN = one_pole_gain(POWER_S, MOTION_HZ)
_QUALITY_GAIN = one_pole_gain(QUALITY_S, MOTION_HZ)

_MEAN, _POWER, _SHARE, _TRUST = range(4)


@dataclass(slots=True)
class MotionState(Columns):
    """Features: ``movement`` (NaN: no motion channel, or nothing known yet), ``quality``, ``index``."""

    core: Floats = column(doc="running mean, power, share of the power's window seen, trust", tail=(4,))
    begun: Bools = column(doc="the running mean has a value", dtype=np.bool_)
    index: Ints = column(doc="newest grid index, -1 before the first", dtype=np.int64, fill=-1)
    movement: Floats = column(doc="[0, 1]", fill=np.nan)
    quality: Floats = column(doc="trust in the signal, [0, 1]")


def update(state: MotionState, block: GridBlock) -> Events:
    """Fold a block of acceleration magnitudes (m/s2, 16 Hz) in. No events.

    Does not tell dancing from walking, nor the listener's movement from that of a shaken seat.
    """
    if block.empty:
        return Events.none()
    rows = block.rows
    c = np.ascontiguousarray(state.core[rows].T)
    begun = state.begun[rows] & ~block.restart
    for j, n in block.steps():
        x = block.x[j, :n]
        good = block.valid[j, :n] & (x >= 0.0) & (x < HIGHEST_MS2)
        _step(c[:, :n], x, good, begun[:n])
    state.core[rows], state.begun[rows] = c.T, begun
    state.index[rows] = block.index + block.count - 1
    power = c[_POWER] / np.maximum(c[_SHARE], 1e-9)
    state.movement[rows] = np.where(c[_SHARE] > 0.0, power / (power + HALF_MS2 * HALF_MS2), np.nan)
    state.quality[rows] = c[_TRUST]
    return Events.none()


def _step(c: Floats, x: Floats, good: Bools, begun: Bools) -> None:
    first = good & ~begun
    c[_MEAN] = np.where(first, x, c[_MEAN])
    used = good & ~first
    away = x - c[_MEAN]
    c[_MEAN] += (_MEAN_GAIN * used) * away
    gain = _POWER_GAIN * used
    c[_POWER] += gain * (away * away - c[_POWER])
    c[_SHARE] += gain * (1.0 - c[_SHARE])
    c[_TRUST] += _QUALITY_GAIN * (good - c[_TRUST])
    begun |= good

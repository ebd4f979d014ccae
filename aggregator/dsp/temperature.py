"""Finger temperature: level, slope, and how much it may count. A slow channel: it lags the vessels by about 15 s.

Two running means with time constants 5 s and 20 s lag a steady ramp by exactly these times, so that their difference
over 15 s is the ramp's slope. The weight asks where the finger has been over the last minute: cold fingers cannot
show vasoconstriction (Kistler et al. 1998: only when the finger starts above about 32 degrees).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.dsp.filters import one_pole_gain
from aggregator.dsp.grid import TEMPERATURE_HZ, Events, GridBlock

FAST_S, SLOW_S = 5.0, 20.0  # 15 s apart: faster than the finger's own lag would be noise
START_S = 60.0
WEIGHT_S = 15.0  # the weight never moves faster than the channel itself
COLD_C, WARM_C = 30.0, 32.0  # weight 0 and 1 (Kistler et al. 1998; the lower edge is common practice)
LOWEST_C, HIGHEST_C = 12.0, 43.0  # a finger's range; outside is a sensor in the air or a broken one
FASTEST_C = 0.5  # change between two samples (1 s) that no finger makes: put on, taken off
QUALITY_S = 5.0

_FAST, _SLOW, _START, _WEIGHT, _TRUST, _LAST = range(6)


@dataclass(slots=True)
class TemperatureState(Columns):
    """Features: ``celsius``, ``slope_c_per_min``, ``weight``, ``quality``, ``index``."""

    core: Floats = column(doc="means over 5, 20 and 60 s, weight, trust, last sample", tail=(6,))
    known: Bools = column(doc="a finger's temperature has been seen", dtype=np.bool_)
    begun: Bools = column(doc="the means over 5 and 20 s have values that the next sample follows", dtype=np.bool_)
    index: Ints = column(doc="newest grid index, -1 before the first", dtype=np.int64, fill=-1)
    celsius: Floats = column(doc="over 5 s", fill=np.nan)
    slope_c_per_min: Floats = column(doc="over the last half minute, degrees a minute", fill=np.nan)
    weight: Floats = column(doc="how much the channel may count, [0, 1]; 0 for a cold finger")
    quality: Floats = column(doc="trust in the signal, [0, 1]")


def update(state: TemperatureState, block: GridBlock) -> Events:
    """Fold a block of temperature (degrees Celsius, 1 Hz) in. No events.

    Does not correct for the room or the sensor's own warming, and does not compare channels: temperature is
    uncorrelated with skin conductance and pulse rate (Boudewyns 1976), disagreement is no fault.
    """
    if block.empty:
        return Events.none()
    rows = block.rows
    c = np.ascontiguousarray(state.core.take(rows, axis=0).T)
    known = state.known[rows]
    begun = state.begun[rows] & ~block.restart
    for j, n in block.steps():
        x = block.x[j, :n]
        good = block.valid[j, :n] & (x > LOWEST_C) & (x < HIGHEST_C)
        _step(c[:, :n], x, good, begun[:n], known[:n])
    state.core[rows], state.known[rows], state.begun[rows] = c.T, known, begun
    state.index[rows] = block.index + block.count - 1
    state.celsius[rows] = np.where(known, c[_FAST], np.nan)
    slope = (c[_FAST] - c[_SLOW]) * (60.0 / (SLOW_S - FAST_S))
    state.slope_c_per_min[rows] = np.where(known, slope, np.nan)
    state.weight[rows] = c[_WEIGHT]
    state.quality[rows] = c[_TRUST]
    return Events.none()


_FAST_GAIN = one_pole_gain(FAST_S, TEMPERATURE_HZ)
_SLOW_GAIN = one_pole_gain(SLOW_S, TEMPERATURE_HZ)
_START_GAIN = one_pole_gain(START_S, TEMPERATURE_HZ)
_WEIGHT_GAIN = one_pole_gain(WEIGHT_S, TEMPERATURE_HZ)
_QUALITY_GAIN = one_pole_gain(QUALITY_S, TEMPERATURE_HZ)


def _step(c: Floats, x: Floats, good: Bools, begun: Bools, known: Bools) -> None:
    """One sample a listener; ``begun`` and ``known`` move on in place: a restart lasts until its first good sample."""
    anew = good & ~begun
    c[_START] = np.where(good & ~known, x, c[_START])
    smooth = good & ~anew & (np.abs(x - c[_LAST]) < FASTEST_C)
    for row in (_FAST, _SLOW):
        c[row] = np.where(anew, x, c[row])
    c[_FAST] += (_FAST_GAIN * smooth) * (x - c[_FAST])
    c[_SLOW] += (_SLOW_GAIN * smooth) * (x - c[_SLOW])
    c[_START] += (_START_GAIN * smooth) * (x - c[_START])
    warm = np.minimum(np.maximum((c[_START] - COLD_C) / (WARM_C - COLD_C), 0.0), 1.0)
    c[_WEIGHT] += (_WEIGHT_GAIN * good) * (warm - c[_WEIGHT])
    c[_TRUST] += _QUALITY_GAIN * (smooth - c[_TRUST])
    # A step that no finger makes begins anew at the next sample, from its own level.
    np.copyto(begun, np.where(good, anew | smooth, begun))
    c[_LAST] = np.where(good, x, c[_LAST])
    known |= good

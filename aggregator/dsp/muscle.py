"""Muscle tension: envelope of the rectified signal, quick to rise and slower to fall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.dsp.filters import one_pole_gain
from aggregator.dsp.grid import MUSCLE_HZ, Events, GridBlock

ATTACK_S = 0.02  # with the grid period of 31 ms: 63 % of a step within 60 ms of it
RELEASE_S = 0.25  # common practice: a note's end is heard, its tremble is not
QUALITY_S = 0.5

_ATTACK_GAIN = one_pole_gain(ATTACK_S, MUSCLE_HZ)
_RELEASE_GAIN = one_pole_gain(RELEASE_S, MUSCLE_HZ)
_QUALITY_GAIN = one_pole_gain(QUALITY_S, MUSCLE_HZ)


@dataclass(slots=True)
class MuscleState(Columns):
    """Features: ``envelope`` (the sensor's unit), ``quality``, ``index``."""

    index: Ints = column(doc="newest grid index, -1 before the first", dtype=np.int64, fill=-1)
    envelope: Floats = column(doc="mean absolute value, the sensor's unit", fill=np.nan)
    quality: Floats = column(doc="trust in the signal, [0, 1]")


def update(state: MuscleState, block: GridBlock) -> Events:
    """Fold a block of rectified means (32 Hz, resample mode "rectified") in. No events.

    Does not remove the mains' hum or the heart's spikes, and does not know the muscle's maximum.
    """
    if block.empty:
        return Events.none()
    rows = block.rows
    envelope, trust = state.envelope[rows], state.quality[rows]
    for j, n in block.steps():
        _step(envelope[:n], trust[:n], block.x[j, :n], block.valid[j, :n])
    state.envelope[rows], state.quality[rows] = envelope, trust
    state.index[rows] = block.index + block.count - 1
    return Events.none()


def _step(envelope: Floats, trust: Floats, x: Floats, valid: Bools) -> None:
    gain = np.where(x > envelope, _ATTACK_GAIN, _RELEASE_GAIN)
    moved = np.where(np.isnan(envelope), x, envelope + gain * (x - envelope))
    np.copyto(envelope, moved, where=valid)
    trust += _QUALITY_GAIN * (valid - trust)

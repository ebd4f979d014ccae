"""Any named scalar channel (a band power and the like): smoothed over one second, with a quality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.dsp.filters import one_pole_gain
from aggregator.dsp.grid import SCALAR_HZ, Events, GridBlock

SMOOTH_S = 1.0  # common practice: one value a second is what such channels carry
QUALITY_S = 2.0

_SMOOTH_GAIN = one_pole_gain(SMOOTH_S, SCALAR_HZ)
_QUALITY_GAIN = one_pole_gain(QUALITY_S, SCALAR_HZ)


@dataclass(slots=True)
class ScalarState(Columns):
    """Features: ``value`` (the channel's unit), ``quality``, ``index``."""

    begun: Bools = column(doc="the smoothing has a value that the next sample follows", dtype=np.bool_)
    index: Ints = column(doc="newest grid index, -1 before the first", dtype=np.int64, fill=-1)
    value: Floats = column(doc="over one second, the channel's unit", fill=np.nan)
    quality: Floats = column(doc="trust in the signal, [0, 1]")


def update(state: ScalarState, block: GridBlock) -> Events:
    """Fold a block (4 Hz) in. No events. Does not know the channel's meaning: no range, no artefacts."""
    if block.empty:
        return Events.none()
    rows = block.rows
    value, trust, begun = state.value[rows], state.quality[rows], state.begun[rows] & ~block.restart
    for j, n in block.steps():
        _step(value[:n], trust[:n], begun[:n], block.x[j, :n], block.valid[j, :n])
    state.value[rows], state.quality[rows], state.begun[rows] = value, trust, begun
    state.index[rows] = block.index + block.count - 1
    return Events.none()


def _step(value: Floats, trust: Floats, begun: Bools, x: Floats, valid: Bools) -> None:
    np.copyto(value, np.where(begun, value + _SMOOTH_GAIN * (x - value), x), where=valid)
    trust += _QUALITY_GAIN * (valid - trust)
    begun |= valid

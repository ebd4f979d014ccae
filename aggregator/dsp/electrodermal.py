"""Skin conductance: contact gate, tonic level, continuous phasic drive, counted responses, evidence of a responder.

A steady-state Kalman filter explains the samples as a slow level plus the response of two leaky integrators to a
driver that is never negative (``x = L + p2 - p1``, both fed with ``u``: a Bateman function for each impulse). The
driver is the continuous feature; its peaks, by prominence, are the responses. A peak is decided when the driver has
fallen by 40 % from its top and at least 0.75 s have been seen since the onset, so that an electrode's step (all of
its rise within 3 samples) is told from a response (rise 0.5-5 s). See METHODS.md for every constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.dsp.electrodermal_count import LOG_ODDS_START, WINDOW_BINS, count, per_minute, probability, skip
from aggregator.dsp.electrodermal_filter import (
    AMPLITUDE_S,
    BRIDGED_STEPS,
    CORE,
    DRIVER,
    LEVEL,
    LOG_ODDS,
    MISSING,
    NOISE,
    NOISE_START_US,
    QUIET,
    SETTLE_STEPS,
    TRUST,
    step,
)
from aggregator.dsp.grid import Events, GridBlock

COUNTED_SHARE = 0.88  # an estimate of 88 % of the minimum counts: slow shapes read low; precision stays over 0.98
MINIMUM_FLOOR_US = 0.01  # Boucsein et al. 2012: smallest response counted by computer
NOISY_US = 0.03  # mean absolute error of the filter at which trust is halved: ten times a good sensor's


@dataclass(slots=True)
class SkinState(Columns):
    """Features: ``level_us``, ``drive``, ``responses``, ``responses_per_min``, ``last_response_us``, ``quality``,
    ``contact``, ``responder``, ``index``."""

    core: Floats = column(doc="filter, last samples, the peak under way, gate: see the indices above", tail=(CORE,))
    known: Bools = column(doc="a sample has been seen", dtype=np.bool_)
    counted: Ints = column(doc="responses in each 2 s of the last 60", tail=(WINDOW_BINS,), dtype=np.uint8)
    watched: Ints = column(doc="samples trusted in each 2 s of the last 60", tail=(WINDOW_BINS,), dtype=np.uint8)
    index: Ints = column(doc="newest grid index, -1 before the first", dtype=np.int64, fill=-1)
    level_us: Floats = column(doc="tonic level, microsiemens", fill=np.nan)
    drive: Floats = column(doc="phasic driver, microsiemens of response a second, >= 0", fill=np.nan)
    responses: Ints = column(doc="responses counted so far", dtype=np.int64)
    responses_per_min: Floats = column(doc="over the trusted part of the last 60 s; NaN under 15 s", fill=np.nan)
    last_response_us: Floats = column(doc="amplitude of the last response, microsiemens", fill=np.nan)
    quality: Floats = column(doc="trust in the signal, [0, 1]")
    contact: Bools = column(doc="in range and no electrode step under way", dtype=np.bool_)
    responder: Floats = column(doc="probability of being somebody who responds, [0, 1]", fill=0.9)


def update(state: SkinState, block: GridBlock, *, minimum_us: float = 0.05) -> Events:
    """Fold a block of skin conductance (microsiemens, 8 Hz) in; return the responses decided in it.

    Event: ``index`` = grid index of the onset, ``value`` = amplitude in microsiemens as estimated at the decision,
    0.9-1.6 s after the onset (the drive moves 0.1-0.3 s after it). ``minimum_us`` >= 0.01 (a lower one counts as 0.01).

    Does not tell a response to the music from any other, nor whose finger it is. Slow shapes (1.5/8 s) are estimated a
    third too small.
    """
    if block.empty:
        return Events.none()
    rows = block.rows
    core = np.ascontiguousarray(state.core.take(rows, axis=0).T)
    _begin(core, state.known[rows], block.restart)
    jumped = np.flatnonzero(block.index != state.index[rows] + 1)
    if len(jumped):
        skip(state, rows, core, block.index, jumped)
    height = max(minimum_us, MINIMUM_FLOOR_US) * COUNTED_SHARE / AMPLITUDE_S
    events = []
    for j, n in block.steps():
        index = block.index[:n] + j
        peaks = step(core[:, :n], block.x[j, :n], block.valid[j, :n], index, height)
        events.append(count(state, rows[:n], core[:, :n], index, peaks))
    state.core[rows] = core.T
    _publish(state, block, core)
    return Events.join([e for e in events if len(e.row)])


def _begin(core: Floats, known: Bools, restart: Bools) -> None:
    """A row never seen, or a restart, is a gap of any length: the next good sample begins anew."""
    core[MISSING, restart | ~known] = BRIDGED_STEPS + 1
    core[NOISE, ~known] = NOISE_START_US
    core[LOG_ODDS, ~known] = LOG_ODDS_START


def _publish(state: SkinState, block: GridBlock, c: Floats) -> None:
    """Features as of each listener's last sample."""
    rows = block.rows
    state.index[rows] = block.index + block.count - 1
    seen = state.known[rows] | (c[MISSING] <= BRIDGED_STEPS)
    state.known[rows] = seen
    state.level_us[rows] = np.where(seen, c[LEVEL], np.nan)
    state.drive[rows] = np.where(seen, c[DRIVER], np.nan)
    noisy = c[NOISE] / NOISY_US
    state.quality[rows] = c[TRUST] / (1.0 + noisy * noisy)
    state.contact[rows] = (c[MISSING] == 0.0) & (c[QUIET] <= SETTLE_STEPS)
    state.responses_per_min[rows] = per_minute(c)
    state.responder[rows] = probability(c[LOG_ODDS])

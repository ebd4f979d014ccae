"""Skin responses of the last 60 s of a listener's own clock, and the evidence that they are somebody who responds."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from aggregator.dsp.columns import Floats, Ints, Rows
from aggregator.dsp.electrodermal_filter import COUNTED, LOG_ODDS, MISSING, QUIET, WATCHED, WATCHED_NOW
from aggregator.dsp.grid import SKIN_HZ, Events

BIN_STEPS = 16  # 2 s: the window's edge is that coarse; a power of two
WINDOW_BINS = 30
LEAST_WATCHED_STEPS = 15 * SKIN_HZ  # a rate from less than 15 s says nothing: one response would read 4 and more

# Somebody who responds does so at least every other minute (1-3 a minute at rest, Dawson, Schell & Filion), about 10 %
# never do: log-odds from ln 9, falling by 0.5 a minute watched without a response, rising by ln 10 with each one
# (false ones are ten times rarer), kept within what a few minutes can turn.
LOG_ODDS_START = 2.1972245773362196
LOG_ODDS_A_RESPONSE = 2.302585092994046
LOG_ODDS_FADE = 0.5 / (60.0 * SKIN_HZ)
LOG_ODDS_LOWEST, LOG_ODDS_HIGHEST = -4.0, 3.0


class Counts(Protocol):
    """What is written here of the skin's state, which keeps the ring of bins."""

    counted: Ints
    watched: Ints
    index: Ints
    responses: Ints
    last_response_us: Floats


def skip(state: Counts, rows: Rows, c: Floats, index: Ints, at: Rows) -> None:
    """The index jumps (first contact, a hole): bins that were stepped over are empty. ``at``: which of ``rows``."""
    who = rows[at]
    before, now = state.index[who] // BIN_STEPS, index[at] // BIN_STEPS
    state.watched[who, before % WINDOW_BINS] = c[WATCHED_NOW, at]
    slots = np.arange(WINDOW_BINS)
    passed = (slots - before[:, None] - 1) % WINDOW_BINS < (now - before)[:, None]
    counted = np.where(passed, 0, state.counted[who])
    watched = np.where(passed, 0, state.watched[who])
    state.counted[who], state.watched[who] = counted, watched
    c[COUNTED, at] = counted.sum(axis=1)
    c[WATCHED, at] = watched.sum(axis=1)
    c[WATCHED_NOW, at] = np.where(now > before, 0.0, c[WATCHED_NOW, at])


def _roll(state: Counts, rows: Rows, c: Floats, index: Ints) -> None:
    """A new bin begins: store the one before, forget the one of a minute ago."""
    at = np.flatnonzero(index & (BIN_STEPS - 1) == 0)
    if not len(at):
        return
    who = rows[at]
    slot = index[at] // BIN_STEPS
    state.watched[who, (slot - 1) % WINDOW_BINS] = c[WATCHED_NOW, at]
    slot %= WINDOW_BINS
    c[WATCHED, at] -= state.watched[who, slot]
    c[COUNTED, at] -= state.counted[who, slot]
    c[WATCHED_NOW, at] = 0.0
    state.watched[who, slot] = 0
    state.counted[who, slot] = 0


def count(state: Counts, rows: Rows, c: Floats, index: Ints, peaks: tuple[Rows, Floats, Floats]) -> Events:
    """Take one step of time, and the responses decided in it: listeners, onsets, amplitudes."""
    _roll(state, rows, c, index)
    calm = (c[QUIET] == 0.0) & (c[MISSING] == 0.0)
    c[WATCHED_NOW : WATCHED + 1] += calm
    odds = c[LOG_ODDS]
    np.maximum(odds - LOG_ODDS_FADE * calm, LOG_ODDS_LOWEST, out=odds)
    at, onset, amplitude = peaks
    if not len(at):
        return Events.none()
    who = rows[at]
    state.counted[who, (index[at] // BIN_STEPS) % WINDOW_BINS] += np.uint8(1)
    c[COUNTED, at] += 1.0
    odds[at] = np.minimum(odds[at] + LOG_ODDS_A_RESPONSE, LOG_ODDS_HIGHEST)
    state.responses[who] += 1
    state.last_response_us[who] = amplitude
    return Events(who, onset, amplitude)


def per_minute(c: Floats) -> Floats:
    """Responses a minute of trusted time in the window; NaN while that is under 15 s."""
    watched = c[WATCHED]
    rate = c[COUNTED] * (60.0 * SKIN_HZ) / np.maximum(watched, 1.0)
    return np.where(watched >= LEAST_WATCHED_STEPS, rate, np.nan)


def probability(log_odds: Floats) -> Floats:
    """``1 / (1 + exp(-log_odds))``."""
    made: Floats = 1.0 / (1.0 + np.exp(-log_odds))
    return made

"""Beats of the pulse: crests of the band-passed signal, their plausibility, intervals, template and variability.

Two moving averages (Elgendi et al. 2013, PLoS ONE 8(10):e76585), made causal: with ``s`` the squared positive part of
the 0.5-5 Hz signal, a block of interest is where ``mean_7(s) > mean_43(s) + offset``, both centred 21 samples back.
When a block closes, its highest sample is a crest, refined by a parabola through three samples. A block narrower than
5 samples, a crest within 0.3 s of the last one, and a low crest much too early (the dicrotic bump) are not beats.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.dsp.grid import PULSE_HZ, Events
from aggregator.dsp.pulse_state import INTERVALS, LOOK_AHEAD, TEMPLATE, WAVE, WIDEST, PulseState

if TYPE_CHECKING:
    from aggregator.dsp.pulse import Slab

NARROWEST = 5  # samples; Elgendi asks for the 111 ms of a systolic peak, our squared crest is narrower
REFRACTORY_S = 0.3
FOOT = 24  # samples before the crest in which its foot lies: 0.375 s, longer than any upstroke
TEMPLATE_LEAD = 12  # samples of the template before the crest
# Feasible pulse 40-180 bpm (Orphanidou 2015), and one grid sample of slack on both sides.
SHORTEST_S, LONGEST_S = 60.0 / 180.0 - 1.0 / PULSE_HZ, 60.0 / 40.0 + 1.0 / PULSE_HZ
# An interval within these ratios of the median of the last five is plausible: their quotient 1.9 stays under the 2.2
# that Orphanidou (2015) allows, and breathing changes an interval by less.
RATIO_LOW, RATIO_HIGH = 0.72, 1.38
EARLY_SHARE, LOW_SHARE = 0.62, 0.6  # earlier than this share of the median and lower than this share of the height
RECOVER_S = 2.0  # after so long without a beat any crest is one
TINY_SHARE = 0.2  # of the running crest height: not a beat
HEIGHT_GAIN, MATCH_GAIN, TEMPLATE_GAIN, STRANGER_GAIN = 0.2, 0.25, 0.15, 0.05
GOOD_MATCH = 0.7
AMPLITUDE_GAIN, AMPLITUDE_STEP = 0.2, 0.5  # running mean of its logarithm over ~5 beats, a beat counts e^0.5 at most
VARIABILITY_S = 120.0  # RMSSD wants 2 min at the least to be trusted (Shaffer & Ginsberg 2017)

Seconds = Callable[["PulseState", "Slab", Rows], None]


def find_beats(state: PulseState, slab: Slab, inside: Bools, each_second: Seconds) -> list[Events]:
    """Beats of a slab in each listener's own order; their second's work falls between the beats around it."""
    i, k, opened = _closings(state, slab, inside)
    before = k <= slab.due[i]
    parts = _rounds(state, slab, i[before], k[before], opened[before])
    due = np.flatnonzero(slab.due < slab.count)
    if len(due):
        each_second(state, slab, due)
    after = ~before
    return parts + _rounds(state, slab, i[after], k[after], opened[after])


def _closings(state: PulseState, slab: Slab, inside: Bools) -> tuple[Rows, Ints, Ints]:
    """Where blocks of interest close: listener, step, grid index at which the block opened; sorted by listener."""
    rows, t = slab.rows, len(inside)
    history = np.empty((len(rows), t + 1), np.bool_)
    history[:, 0] = state.inside[rows]
    history[:, 1:] = inside.T
    i, k = np.divmod(np.flatnonzero(history[:, 1:] != history[:, :-1]), t)
    seen = k < slab.count[i]
    i, k = i[seen], k[seen]
    opens = history[i, k + 1]
    at = slab.index[i] + k
    opened = state.opened[rows[i]]
    follows = np.flatnonzero(i[1:] == i[:-1]) + 1
    opened[follows] = at[follows - 1]
    state.opened[rows[i[opens]]] = at[opens]
    state.inside[rows] = history[np.arange(len(rows)), slab.count]
    closes = ~opens
    return i[closes], k[closes], opened[closes]


def _rounds(state: PulseState, slab: Slab, i: Rows, k: Ints, opened: Ints) -> list[Events]:
    """Each listener's first closing, then everybody's second, and so on: a row occurs once in a round."""
    parts = []
    while len(i):
        first = np.ones(len(i), np.bool_)
        first[1:] = i[1:] != i[:-1]
        parts.append(_beats(state, slab, i[first], k[first], opened[first]))
        i, k, opened = i[~first], k[~first], opened[~first]
    return parts


def _beats(state: PulseState, slab: Slab, i: Rows, k: Ints, opened: Ints) -> Events:
    """Judge one closing block a listener."""
    wide = slab.index[i] + k - opened
    keep = wide >= NARROWEST
    i, k, wide = i[keep], k[keep], wide[keep]
    rows = slab.rows[i]
    place, crest, height, foot = _crest(slab, i, k, wide)
    at = slab.index[i] + place - WAVE + crest
    last = state.last_beat_index[rows]
    since = (at - last) / PULSE_HZ
    usual = median_interval(state.intervals[rows])
    accepted = _accepted(since, usual, height, state.height[rows])
    i, rows, place, at, last = i[accepted], rows[accepted], place[accepted], at[accepted], last[accepted]
    since, usual, height, foot = since[accepted], usual[accepted], height[accepted], foot[accepted]
    gap = slab.gap[i] if slab.gap.ndim == 1 else slab.gap[k[accepted], i]
    joined = ~((last <= gap) & (gap < at)) & (since >= SHORTEST_S) & (since <= LONGEST_S)
    ratio = since / usual
    clean = joined & (np.isnan(ratio) | ((ratio >= RATIO_LOW) & (ratio <= RATIO_HIGH)))
    interval = np.where(clean, since, np.nan)
    _remember(state, rows, since, joined, interval)
    _shape(state, slab, i, rows, place, height, foot)
    state.beats[rows] += 1
    state.last_beat_index[rows] = at
    return Events(rows, at, interval)


def _crest(slab: Slab, i: Rows, k: Ints, wide: Ints) -> tuple[Ints, Floats, Floats, Floats]:
    """Highest sample of each block: its place in ``waves``, parabolic offset, height, and the height of its foot."""
    width = slab.waves.shape[1]
    sign = _signs(slab, i, k)
    flat = slab.waves.reshape(-1)
    end = i * width + k + (WAVE - LOOK_AHEAD - 1)
    back = np.arange(WIDEST)
    block = flat[end[:, None] - back] * sign[:, None]
    block[back >= wide[:, None]] = -np.inf
    top = end - np.argmax(block, axis=1)
    y0, y1, y2 = flat[top - 1] * sign, flat[top] * sign, flat[top + 1] * sign
    bend = y0 - 2.0 * y1 + y2
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(bend < 0.0, 0.5 * (y0 - y2) / bend, 0.0)
    feet = flat[top[:, None] - np.arange(1, FOOT + 1)] * sign[:, None]
    return top - i * width, np.clip(offset, -0.5, 0.5), y1, feet.min(axis=1)


def _signs(slab: Slab, i: Rows, k: Ints) -> Floats:
    return slab.sign[i] if slab.sign.ndim == 1 else slab.sign[k, i]


def median_interval(intervals: Floats) -> Floats:
    """Median of the up to five newest intervals of each row (e, 8), NaN where there is none."""
    newest = np.sort(intervals[:, INTERVALS - 5 :], axis=1)
    known = np.sum(~np.isnan(newest), axis=1)
    each = np.arange(len(newest))
    middle: Floats = 0.5 * (newest[each, np.maximum(known - 1, 0) // 2] + newest[each, known // 2])
    return middle


def _accepted(since: Floats, usual: Floats, height: Floats, typical: Floats) -> Bools:
    """Not within the refractory time, not tiny, not a low crest much too early."""
    too_soon = since < REFRACTORY_S
    tiny = (height < TINY_SHARE * typical) & (since < RECOVER_S)
    second_bump = (since < EARLY_SHARE * usual) & (height < LOW_SHARE * typical)
    return np.asarray((height > 0.0) & ~(too_soon | tiny | second_bump))


def _remember(state: PulseState, rows: Rows, since: Floats, joined: Bools, interval: Floats) -> None:
    """Intervals, and the running mean of squared successive differences (Task Force 1996) over 2 min."""
    keep = rows[joined]
    state.intervals[keep, :-1] = state.intervals[keep, 1:]
    state.intervals[keep, -1] = since[joined]
    known = ~np.isnan(interval)
    difference = interval - state.paired_s[rows]
    paired = ~np.isnan(difference)
    state.paired_s[rows] = interval
    state.interval_s[rows[known]] = interval[known]
    fade = np.exp(-np.minimum(np.where(np.isnan(since), 0.0, since), 10.0) / VARIABILITY_S)
    state.clean_s[rows] = state.clean_s[rows] * fade + np.where(known, since, 0.0)
    r, d, i = rows[paired], difference[paired], interval[paired]
    state.differences[r] += 1.0
    gain = np.maximum(1.0 / state.differences[r], i / VARIABILITY_S)
    state.square[r] += gain * (d * d - state.square[r])
    state.rmssd_ms[r] = 1000.0 * np.sqrt(state.square[r])


def _shape(state: PulseState, slab: Slab, i: Rows, rows: Rows, place: Ints, height: Floats, foot: Floats) -> None:
    """Crest height, amplitude, and likeness of this beat to the running mean beat."""
    typical = state.height[rows]
    state.height[rows] = np.where(np.isnan(typical), height, typical + HEIGHT_GAIN * (height - typical))
    amplitude, usual = np.maximum(height - foot, 1e-300), state.amplitude[rows]
    step = np.clip(np.log(amplitude / usual), -AMPLITUDE_STEP, AMPLITUDE_STEP)
    state.amplitude[rows] = np.where(np.isnan(usual), amplitude, usual * np.exp(AMPLITUDE_GAIN * step))
    width = slab.waves.shape[1]
    start = i * width + place - TEMPLATE_LEAD
    beat = slab.waves.reshape(-1)[start[:, None] + np.arange(TEMPLATE)].astype(np.float64)
    beat -= beat.mean(axis=1)[:, None]
    beat /= np.sqrt(np.sum(beat * beat, axis=1))[:, None] + 1e-300
    template = state.template[rows].astype(np.float64)
    length = np.sqrt(np.sum(template * template, axis=1))
    likeness = np.maximum(np.sum(beat * template, axis=1) / (length + 1e-300), 0.0)
    state.match[rows] += MATCH_GAIN * (likeness - state.match[rows])
    gain = np.where(length == 0.0, 1.0, np.where(likeness >= GOOD_MATCH, TEMPLATE_GAIN, STRANGER_GAIN))
    state.template[rows] = template + gain[:, None] * (beat - template)

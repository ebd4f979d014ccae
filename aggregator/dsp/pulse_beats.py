"""Beats of the pulse: crests of the band-passed signal, their plausibility, intervals, template and variability.

Two moving averages (Elgendi et al. 2013, PLoS ONE 8(10):e76585), made causal: with ``s`` the squared positive part of
the 0.5-5 Hz signal, a block of interest is where ``mean_7(s) > mean_43(s) + offset``, both centred 21 samples back.
When a block closes, its highest sample is a crest, refined by a parabola through three samples. A block narrower than
5 samples, a crest within 0.3 s of the last one, and a low crest much too early (the dicrotic bump) are not beats.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Floats32, Ints, Rows
from aggregator.dsp.grid import PULSE_HZ, Events
from aggregator.dsp.pulse_state import (
    CLEAN_S,
    GOOD_INDEX,
    INTERVALS,
    LOOK_AHEAD,
    NOTHING,
    RATE,
    REGULAR,
    SUMMARY,
    TEMPLATE,
    UNKNOWN,
    WAVE,
    WIDEST,
    Marks,
    PulseState,
    Slab,
)

NARROWEST = 5  # samples; Elgendi asks for the 111 ms of a systolic peak, our squared crest is narrower
REFRACTORY_S = 0.3
FOOT = 24  # samples before the crest in which its foot lies: 0.375 s, longer than any upstroke
TEMPLATE_LEAD = 12  # samples of the template before the crest
# Feasible pulse 40-180 bpm (Orphanidou 2015), and one grid sample of slack on both sides.
SHORTEST_S, LONGEST_S = 60.0 / 180.0 - 1.0 / PULSE_HZ, 60.0 / 40.0 + 1.0 / PULSE_HZ
# An interval within these ratios of the median of the last five is plausible: their quotient 1.9 stays under the 2.2
# that Orphanidou (2015) allows, and breathing changes an interval by less.
RATIO_LOW, RATIO_HIGH = 0.72, 1.38
NEWEST = 5  # intervals that the median is taken of
JUMP = 0.2  # of the median: a larger step from beat to beat is no variability (common practice)
NEAR = 0.3  # of the median: intervals that the rate is taken from
ENOUGH = 4  # intervals for full trust
EARLY_SHARE, LOW_SHARE = 0.62, 0.6  # earlier than this share of the median and lower than this share of the height
RECOVER_S = 2.0  # after so long without a beat any crest is one
TINY_SHARE = 0.2  # of the running crest height: not a beat
HEIGHT_GAIN, MATCH_GAIN = 0.2, 0.25
# A beat of this likeness is one of the same kind; the template learns it faster than a stranger, which it may have to
# become when the finger moves. Orphanidou (2015) asks for 0.86 of a whole window; single beats scatter.
GOOD_MATCH, TEMPLATE_GAIN, STRANGER_GAIN = 0.75, 0.15, 0.1
GAINS = np.array([STRANGER_GAIN, TEMPLATE_GAIN, 1.0], np.float32)  # a stranger, one alike, the first of all
ALMOST_0 = np.float32(1e-30)
AMPLITUDE_GAIN, AMPLITUDE_STEP = 0.2, 0.5  # running mean of its logarithm over ~5 beats, a beat counts e^0.5 at most
VARIABILITY_S = 120.0  # RMSSD wants 2 min at the least to be trusted (Shaffer & Ginsberg 2017)

Seconds = Callable[[PulseState, Slab, Floats], None]


def find_beats(state: PulseState, slab: Slab, width: Marks, each_second: Seconds) -> list[Events]:
    """Beats of a slab in each listener's own order; their second's work falls between the beats around it.

    ``width`` (t + 1, m): samples for which a block has been open, before the first step and at each.
    """
    i, k, wide = _closings(slab, width)
    late = k > slab.second[i]
    if len(slab.turned):
        # Somebody's polarity turns at their second's end: what they are compared with changes between their beats.
        parts, _ = _rounds(state, slab, i[~late], k[~late], wide[~late], None)
        slab.waves[slab.turned] *= np.float32(-1)
        each_second(state, slab, state.summary[slab.rows[slab.due]])
        return parts + _rounds(state, slab, i[late], k[late], wide[late], None)[0]
    parts, summary = _rounds(state, slab, i, k, wide, late if len(slab.due) else None)
    if len(slab.due):
        each_second(state, slab, summary)
    return parts


def _closings(slab: Slab, width: Marks) -> tuple[Rows, Ints, Marks]:
    """Where wide enough blocks of interest close: listener, step, width in samples; sorted by listener and step."""
    closing = np.greater(width[:-1], width[1:])
    k, i = np.divmod(closing.reshape(-1).nonzero()[0], closing.shape[1])  # ten times faster than two axes at once
    wide = width[k, i]
    seen = wide >= NARROWEST
    if not slab.even:
        seen &= k < slab.count[i]
    i, k, wide = i[seen], k[seen], wide[seen]
    order = i.argsort(kind="stable")
    return i[order], k[order], wide[order]


def _rounds(
    state: PulseState, slab: Slab, i: Rows, k: Ints, wide: Marks, late: Bools | None
) -> tuple[list[Events], Floats]:
    """Each listener's first closing, then everybody's second, and so on: a row occurs once in a round.

    Also the summaries of those whose second ends in this slab, as they were before beats marked ``late``.
    """
    parts, summary, open_ = [], np.empty((len(slab.due), SUMMARY)), np.ones(len(slab.due), np.bool_)
    while len(i):
        first = np.ones(len(i), np.bool_)
        np.not_equal(i[1:], i[:-1], out=first[1:])
        if late is not None:
            place = slab.due.searchsorted(i[first & late])
            place = place[open_[place]]
            summary[place] = state.summary[slab.rows[slab.due[place]]]
            open_[place] = False
        if np.count_nonzero(first) == first.size:
            parts.append(_beats(state, slab, i, k, wide))
            break
        parts.append(_beats(state, slab, i[first], k[first], wide[first]))
        rest = ~first
        i, k, wide, late = i[rest], k[rest], wide[rest], None if late is None else late[rest]
    summary[open_] = state.summary[slab.rows[slab.due[open_]]]
    return parts, summary


def _beats(state: PulseState, slab: Slab, i: Rows, k: Ints, wide: Marks) -> Events:
    """Judge one closing block a listener."""
    rows = slab.rows[i]
    place, crest, around = _crest(slab, i, k, wide)
    height = around[:, FOOT].astype(np.float64)
    at = slab.index[i] + place - WAVE + crest
    last = state.last_beat_index[rows]
    since = (at - last) / PULSE_HZ
    usual = state.usual_s[rows]
    typical = state.height[rows]
    a = _accepted(since, usual, height, typical).nonzero()[0]
    if len(a) == 0:
        return Events.none()
    if len(a) < len(i):
        i, k, rows, around, at, last = i[a], k[a], rows[a], around[a], at[a], last[a]
        since, usual, height, typical = since[a], usual[a], height[a], typical[a]
    before = state.good[rows]
    good = _shape(state, rows, around, height, typical)
    state.perfusion[rows] = state.amplitude[rows] / np.abs(slab.x[k, i])
    gap = slab.gap[i] if slab.gap.ndim == 1 else slab.gap[k, i]
    broken = (last <= gap) & (gap < at)
    joined = ~broken & good & before & (since >= SHORTEST_S) & (since <= LONGEST_S)
    ratio = since / usual
    clean = joined & (np.isnan(ratio) | ((ratio >= RATIO_LOW) & (ratio <= RATIO_HIGH)))
    interval = np.where(clean, since, UNKNOWN)
    summary = state.summary.take(rows, axis=0)
    np.copyto(summary[:, GOOD_INDEX], at, where=good)
    _intervals(state, rows[joined], since[joined], summary, joined)
    _variability(state, rows, since, interval, usual, summary)
    state.summary[rows] = summary
    state.good[rows] = good
    state.beats[rows] += 1
    state.last_beat_index[rows] = at
    return Events(rows, at, interval)


def _crest(slab: Slab, i: Rows, k: Ints, wide: Marks) -> tuple[Ints, Floats, Floats32]:
    """Highest sample of each block: its place in ``waves``, parabolic offset, and the wave around it.

    The wave around it runs from FOOT samples before the crest to the template's end.
    """
    width = slab.waves.shape[1]
    start = i * width + k + (WAVE - LOOK_AHEAD - WIDEST)
    block = slab.windows(start, WIDEST)
    np.copyto(block, -np.inf, where=wide[:, None] < _TO_END)
    # Of equal samples the first: motion is limited to a plateau, and seen from its edge it resembles no beat.
    top = start + np.argmax(block, axis=1)
    around = slab.windows(top - FOOT, FOOT + TEMPLATE - TEMPLATE_LEAD)
    y0, y1, y2 = around[:, FOOT - 1 : FOOT + 2].astype(np.float64).T
    bend = np.minimum(y0 + y2 - (y1 + y1), -1e-300)
    offset = np.minimum(np.maximum((y0 - y2) / (bend + bend), -0.5), 0.5)
    return top - i * width, offset, around


_TO_END = np.arange(WIDEST, 0, -1, dtype=np.int8)


def median_interval(intervals: Floats) -> Floats:
    """Median of the up to five newest intervals of each row (e, 8), NaN where there is none."""
    a, b, c, d, e = (intervals[:, INTERVALS - NEWEST + j] for j in range(NEWEST))
    # The middle one of five: of the two pairs neither the lowest nor the highest, and the fifth.
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    median: Floats = np.maximum(np.minimum(e, low), np.minimum(np.maximum(e, low), high))
    unknown = np.isnan(median).nonzero()[0]  # where any of them is
    if len(unknown):
        median[unknown] = _median_of_known(intervals[unknown])
    return median


def _median_of_known(intervals: Floats) -> Floats:
    newest = intervals[:, INTERVALS - NEWEST :].copy()
    newest.sort(axis=1)  # unknown ones last
    known = np.add.reduce(~np.isnan(newest), axis=1)
    each = np.arange(len(newest))
    middle: Floats = 0.5 * (newest[each, np.maximum(known - 1, 0) // 2] + newest[each, known // 2])
    return middle


def _accepted(since: Floats, usual: Floats, height: Floats, typical: Floats) -> Bools:
    """Not within the refractory time, not tiny, not a low crest much too early."""
    too_soon = since < REFRACTORY_S
    tiny = (height < TINY_SHARE * typical) & (since < RECOVER_S)
    second_bump = (since < EARLY_SHARE * usual) & (height < LOW_SHARE * typical)
    return np.asarray((height > 0.0) & ~(too_soon | tiny | second_bump))


def _shape(state: PulseState, rows: Rows, around: Floats32, height: Floats, typical: Floats) -> Bools:
    """Likeness of this beat to the running mean beat; of those alike, crest height and amplitude. Returns who is."""
    beat = around[:, FOOT - TEMPLATE_LEAD :]
    beat = beat - np.add.reduce(beat, axis=1)[:, None] * np.float32(1.0 / TEMPLATE)
    beat /= np.sqrt(np.add.reduce(beat * beat, axis=1))[:, None] + ALMOST_0
    template = state.template.take(rows, axis=0)
    length = np.sqrt(np.add.reduce(template * template, axis=1))
    likeness = np.maximum(np.add.reduce(beat * template, axis=1) / (length + ALMOST_0), np.float32(0))
    new = length == 0.0
    good = new | (likeness >= GOOD_MATCH)
    match = state.match[rows]
    state.match[rows] = match + MATCH_GAIN * (likeness - match)
    beat -= template
    beat *= GAINS[new.view(np.int8) + good][:, None]
    beat += template
    state.template[rows] = beat
    risen = typical + HEIGHT_GAIN * (np.minimum(height, typical + typical) - typical)
    state.height[rows] = np.where(np.isnan(typical), height, risen)
    usual = state.amplitude[rows]
    amplitude = np.maximum(height - np.minimum.reduce(around[:, :FOOT], axis=1), 1e-300)
    step = np.minimum(np.maximum(np.log(amplitude / usual), -AMPLITUDE_STEP), AMPLITUDE_STEP)
    after = np.where(np.isnan(usual), amplitude, usual * np.exp(AMPLITUDE_GAIN * step))
    state.amplitude[rows] = np.where(good, after, usual)
    return np.asarray(good)


def _intervals(state: PulseState, rows: Rows, since: Floats, summary: Floats, joined: Bools) -> None:
    """Append intervals; rate = 60 / mean of those near their median; trusted by their share, evenness and likeness."""
    intervals = np.concatenate([state.intervals.take(rows, axis=0)[:, 1:], since[:, None]], axis=1)
    state.intervals[rows] = intervals
    usual = median_interval(intervals)
    state.usual_s[rows] = usual
    middle = usual[:, None]
    apart = np.abs(intervals - middle)
    near = apart <= NEAR * middle  # not where an interval is unknown
    number = np.add.reduce(near, axis=1)
    total = np.add.reduce(np.where(near, intervals, NOTHING), axis=1)
    spread = np.add.reduce(np.where(near, apart, NOTHING), axis=1) / total
    share = number / np.maximum(np.add.reduce(apart >= 0.0, axis=1), ENOUGH)
    even = np.minimum(np.maximum(1.4 - 5.0 * spread, 0.0), 1.0)
    alike = np.minimum(np.maximum((state.match[rows] - 0.5) * 2.5, 0.0), 1.0)
    known = number >= 2
    summary[joined, RATE] = np.where(known, 60.0 * number / total, UNKNOWN)
    summary[joined, REGULAR] = np.where(known, share * share * even * alike, NOTHING)


def _variability(
    state: PulseState, rows: Rows, since: Floats, interval: Floats, usual: Floats, summary: Floats
) -> None:
    """Running mean of squared successive differences (Task Force 1996): plain at first, then fading over 2 min."""
    known = ~np.isnan(interval)
    passed = np.fmax(np.minimum(since, 10.0), 0.0)  # 0 where unknown
    clean_s = np.fmax(summary[:, CLEAN_S], 0.0) * np.exp(passed * (-1.0 / VARIABILITY_S))
    summary[:, CLEAN_S] = clean_s + np.where(known, interval, NOTHING)
    state.interval_s[rows[known]] = interval[known]
    successive_differences(state, rows, interval, usual)


def successive_differences(state: PulseState, rows: Rows, interval: Floats, usual: Floats) -> None:
    """Fold intervals, s, NaN after a break, into RMSSD = sqrt(mean((interval - the one before)^2)).

    The mean is plain for the first 2 min and fades over 2 min from then on. Steps of more than 20 % of ``usual``, the
    median interval, are left out. Source: Task Force 1996, Eur Heart J 17:354-381.
    """
    difference = interval - state.paired_s[rows]
    state.paired_s[rows] = interval
    paired = np.abs(difference) <= JUMP * usual
    r, d, i = rows[paired], difference[paired], interval[paired]
    number = state.differences[r] + 1.0
    square = state.square[r]
    square += np.maximum(1.0 / number, i / VARIABILITY_S) * (d * d - square)
    state.differences[r], state.square[r] = number, square
    state.rmssd_ms[r] = 1000.0 * np.sqrt(square)

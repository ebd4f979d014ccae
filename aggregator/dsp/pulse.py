"""Pulse: raw optical samples at 64 Hz to beats, rates, amplitude, variability, quality; thousands of listeners a call.

Stages, all causal and in sample order:

1. Level: raw values minus ``origin``, which starts at the first sample and absorbs the jump over a gap of more than 4
   samples; shorter gaps are held.
2. Band-pass 0.5-5 Hz, Butterworth, second order (four poles), from rest; limited to 4 scales. The scale is the lower
   median of the mean magnitudes of the last 8 seconds, so that bursts of motion do not raise it.
3. Beats: two moving averages (``pulse_beats``).
4. Each second of the listener's own samples: scale, polarity, spectral rate, fusion, quality (``pulse_rate``).

Latency: a crest is decided 0.33 s + half its width (about 0.45 s) after it; the band-pass delays by 0.29 / 0.14 /
0.08 s at 0.8 / 1.2 / 2 Hz. Does not estimate blood pressure or oxygen, does not diagnose, and does not find a pulse
that motion of the same rate covers.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Floats32, Ints, Rows
from aggregator.dsp.filters import butterworth, sos_run
from aggregator.dsp.grid import PULSE_HZ, Events, GridBlock
from aggregator.dsp.pulse_beats import find_beats
from aggregator.dsp.pulse_rate import each_second, find_scale
from aggregator.dsp.pulse_state import (
    CUT_OFF_STAYS,
    FLAT,
    GOOD_INDEX,
    LONG,
    RATE,
    REGULAR,
    SLAB,
    WAVE,
    Marks,
    PulseState,
    Slab,
)

__all__ = ["PulseState", "update"]

# 0.5 Hz: below 40 bpm (0.67 Hz) by a margin; 5 Hz: the second harmonic of 150 bpm.
BAND = butterworth("band", 2, (0.5, 5.0), PULSE_HZ)
PLACES = tuple(np.ndindex(len(BAND), 2))  # of its memory
# Listeners whose moving sums are taken at once: their arrays stay in the cache (4 times faster than 2,000 at once).
PIECE = 1024
# A gap up to 4 samples (62 ms) is held (MEASUREMENTS: more than 4 needs a new start).
HELD = 4
LARGEST = 1e12  # raw units from the start level; 24-bit counts reach 2e7, and squares must fit single precision
WAVE_LIMIT = 4.0  # a pulse's crest is 2.5-3.5 times its mean magnitude
BOUNDLESS = np.array(np.inf)
FLAT_SHARE = 1e-4  # of the scale: less change than this in a sample is none; what clips or sticks repeats exactly
CUT_OFF = 8  # a crest that stays for 0.125 s does not round: it is clipped
CUT_OFF_HEIGHT = 0.2  # of the scale: a plateau around the middle is no rail
# The offset is 0.02 x the mean of the squared crest signal (Elgendi 2013), which is about 0.8 scale^2 for a pulse.
OFFSET = 0.02 * 0.8
BEAT_WINDOW, PEAK_WINDOW = 43, 7
# Where in the last 43 samples, oldest first, a sample leaves and enters the short window in the middle.
OUT = (BEAT_WINDOW - PEAK_WINDOW) // 2
IN = OUT + PEAK_WINDOW


def update(state: PulseState, block: GridBlock) -> Events:
    """Fold a block into every listener's pulse. Returns one event a beat: crest's grid index, interval in s or NaN.

    ``block.x``: raw values in any unit, offset and polarity, up to 1e12 from where they began. A row begins anew at
    ``restart``: beats, rates and quality are forgotten; amplitude, template, polarity and variability stay.
    """
    parts = []
    with np.errstate(all="ignore"):  # NaN is "unknown" here, and empty windows divide 0 by 0
        for start in range(0, len(block.x), SLAB):
            n = block.active(start) if start else len(block.rows)
            if n == 0:
                break
            steps = slice(start, start + SLAB)
            rows, index = block.rows[:n], block.index[:n] + start
            count = np.minimum(block.count[:n] - start, SLAB)
            if start == 0:
                _begin(state, rows, block.restart[:n] | (state.index[rows] < 0), block.x[0, :n])
            parts.append(_slab(state, rows, index, count, block.x[steps, :n], block.valid[steps, :n]))
    return Events.join(parts)


def _begin(state: PulseState, rows: Rows, fresh: Bools, first: Floats) -> None:
    """Begin the filters anew at the first sample; forget beats and rates, keep amplitude, template and variability."""
    if not np.count_nonzero(fresh):
        return
    r = rows[fresh]
    state.origin[r] = state.previous[r] = first[fresh]
    state.band[r], state.wave[r], state.slow[r], state.levels[r] = 0.0, 0.0, 0.0, np.inf
    state.scale[r], state.missing[r], state.flat[r], state.slow_filled[r] = 0.0, 0, 0, 0
    state.wide[r], state.lead[r], state.match[r], state.trust[r], state.good[r] = 0, 0.0, 0.0, 0.0, False
    for trust in (state.rate_confidence, state.interval_confidence, state.spectral_confidence):
        trust[r] = 0.0
    for unknown in (state.rate_bpm, state.interval_rate_bpm, state.spectral_rate_bpm, state.last_beat_index):
        unknown[r] = np.nan
    for unknown in (state.intervals, state.interval_s, state.paired_s, state.height, state.usual_s):
        unknown[r] = np.nan
    state.summary[r, RATE], state.summary[r, REGULAR], state.summary[r, GOOD_INDEX] = np.nan, 0.0, np.nan
    state.clipped[r] = CUT_OFF_STAYS


def _slab(state: PulseState, rows: Rows, index: Ints, count: Ints, x: Floats, valid: Bools) -> Events:
    """At most SLAB steps. What runs in time is laid out (t, m): one call a step serves all listeners at once."""
    centred, gap = _level(state, rows, index, count, x, valid)
    slab = Slab(rows, count, index, x, gap, (-1 - index) % PULSE_HZ)
    slab.due = (slab.second < count).nonzero()[0]
    slab.waves = state.wave.take(rows, axis=0)
    wave, scale = _limit(state, slab, _band(state, slab, centred))
    runs = np.empty((len(x) + 1, 2, len(rows)), np.int8)
    _unchanged(state, slab, scale, runs[:, 0])
    _blocks(state, slab, scale, runs[:, 1])
    _run_lengths(runs)
    contact = _contact(state, slab, wave, scale, runs[:, 0])
    parts = find_beats(state, slab, runs[:, 1], each_second)
    state.wave[:, :WAVE][rows] = _tails(slab.waves, count, WAVE)
    state.wide[rows] = np.minimum(slab.end(runs[1:, 1]), LONG)
    state.previous[rows] = slab.end(x)
    state.index[rows] = index + (count - 1)
    state.contact[rows] = contact
    state.quality[rows] = state.trust[rows] * contact
    return Events.join(parts)


def _tails(history: Floats32, count: Ints, length: int) -> Floats32:
    """Of each row the ``length`` entries that end ``count`` after the first ``length``."""
    first = int(count[0])
    if count[-1] == first:
        return history[:, first : first + length]
    return np.take_along_axis(history, count[:, None] + np.arange(length), axis=1)


def _level(state: PulseState, rows: Rows, index: Ints, count: Ints, x: Floats, valid: Bools) -> tuple[Floats, Ints]:
    """Raw values minus origin; and the grid index at which the last gap ended, (m,) or (t, m)."""
    origin, missing, gap = state.origin[rows], state.missing[rows], state.gap[rows]
    if np.count_nonzero(valid) == valid.size and not np.count_nonzero(missing):
        return _bounded(x - origin), gap
    centred, gaps = np.empty_like(x), np.empty(x.shape, np.int64)
    before = state.previous[rows]
    for j, sample in enumerate(x):
        here = j < count
        ends = here & valid[j] & (missing > HELD)
        origin += np.where(ends, sample - before, 0.0)
        np.copyto(gap, index + j, where=ends)
        np.copyto(missing, np.where(valid[j], 0, missing + 1), where=here)
        before = sample
        np.subtract(sample, origin, out=centred[j])
        gaps[j] = gap
    state.origin[rows], state.missing[rows], state.gap[rows] = origin, missing, gap
    return _bounded(centred), gaps


def _bounded(x: Floats) -> Floats:
    if x.max() > LARGEST or x.min() < -LARGEST:  # hardly ever: reading twice is cheaper than writing twice
        np.maximum(np.minimum(x, LARGEST, out=x), -LARGEST, out=x)
    return x


def _band(state: PulseState, slab: Slab, x: Floats) -> Floats:
    """Band-passed signal, turned upright as far as the polarity is known, (t, m)."""
    memory = np.empty((*state.band.shape[1:], len(slab.rows)))
    for place in PLACES:  # one number a listener at a time: numpy scatters small squares five times slower
        memory[place] = state.band[:, *place][slab.rows]
    y = sos_run(BAND, memory, x, None if slab.even else slab.count)
    for place in PLACES:
        state.band[:, *place][slab.rows] = memory[place]
    down = state.polarity[slab.rows] < 0
    if np.count_nonzero(down):
        y *= np.where(down, -1.0, 1.0)
    return y


def _limit(state: PulseState, slab: Slab, y: Floats) -> tuple[Floats, Floats]:
    """The signal limited to 4 scales, (t, m), also into ``slab.waves``; and the scale, (m,) or (t, m).

    A second that ends in this slab renews scale and polarity for the samples after it.
    """
    scale = state.scale[slab.rows].astype(np.float64)  # mixed precision would be cast piece by piece in every call
    wave = _limited(y, scale)
    slab.waves[:, WAVE : WAVE + len(y)] = wave.T
    if len(slab.due) == 0:
        return wave, scale
    find_scale(state, slab)
    part = slab.due[slab.second[slab.due] + 1 < slab.count[slab.due]]
    if len(part) == 0:
        return wave, scale
    later = np.arange(len(y))[:, None] > slab.second[part]
    after = state.scale[slab.rows[part]].astype(np.float64)
    wave[:, part] = np.where(later, _limited(y[:, part], after), wave[:, part])
    slab.waves[part, WAVE : WAVE + len(y)] = wave[:, part].T
    scales = np.repeat(scale[None], len(y), axis=0)
    scales[:, part] = np.where(later, after, scale[part])
    return wave, scales


def _limited(y: Floats, scale: Floats) -> Floats:
    bound = np.where(scale > 0.0, scale * WAVE_LIMIT, BOUNDLESS)
    out = np.minimum(y, bound)
    return np.maximum(out, -bound, out=out)


def _unchanged(state: PulseState, slab: Slab, scale: Floats, runs: Marks) -> None:
    """Samples in a row without a change before the first step; then at each step whether there is one."""
    x, runs[0] = slab.x, state.flat[slab.rows]
    change = np.empty_like(x)
    np.subtract(x[0], state.previous[slab.rows], out=change[0])
    np.subtract(x[1:], x[:-1], out=change[1:])
    np.greater(np.abs(change, out=change), FLAT_SHARE * scale, out=runs[1:].view(np.bool_))


def _run_lengths(runs: Marks) -> None:
    """From a run's length before the first step, and whether it ends at each step, its length at each step.

    Through the step of the latest end, counted from LONG steps before the slab so that it fits a byte.
    """
    number = np.arange(LONG, LONG + len(runs), dtype=np.int8)[:, None, None]
    np.subtract(LONG, runs[0], out=runs[0])
    runs[1:] *= number[1:]
    for before, here in pairwise(list(runs)):
        np.maximum(before, here, out=here)
    np.subtract(number, runs, out=runs)


def _contact(state: PulseState, slab: Slab, wave: Floats, scale: Floats, flat: Marks) -> Bools:
    """Whether a finger seems to be on, (m,), after the last step; and into ``slab.touch`` at the seconds' ends."""
    rows, flat = slab.rows, flat[1:]
    cut_at = -1 - state.clipped[rows]  # step at which a crest or foot was last cut off
    cut_before = cut_at[slab.due]
    cut = flat == CUT_OFF
    if np.count_nonzero(cut):
        k, i = np.nonzero(cut)
        high = (k < slab.count[i]) & (np.abs(wave[k, i]) > CUT_OFF_HEIGHT * np.broadcast_to(scale, wave.shape)[k, i])
        k, i = k[high], i[high]
        early = k <= slab.second[i]
        at_second = cut_at.copy()
        at_second[i[early]] = k[early]  # the last of a listener's steps stays: they come in rising order
        cut_before = at_second[slab.due]
        cut_at[i] = k
    second = slab.second[slab.due]
    slab.touch = (flat[second, slab.due] < FLAT) & (second - cut_before >= CUT_OFF_STAYS)
    end = slab.end(flat)
    state.flat[rows] = np.minimum(end, LONG)
    since = (slab.count - 1) - cut_at
    state.clipped[rows] = since
    return np.asarray((end < FLAT) & (since >= CUT_OFF_STAYS))


def _blocks(state: PulseState, slab: Slab, scale: Floats, runs: Marks) -> None:
    """Width of an open block of interest before the first step; then at each step whether none is open."""
    rows, due = slab.rows, slab.due
    lead = np.empty((len(slab.x), len(rows)), np.float32)
    known = slab.waves[:, : WAVE + len(lead)]
    for a in range(0, len(rows), PIECE):
        lead[:, a : a + PIECE] = _growth(known[a : a + PIECE]).T
    if len(slab.turned):
        later = np.arange(len(lead))[:, None] > slab.second[slab.turned]
        lead[:, slab.turned] = np.where(later, _growth(-known[slab.turned]).T, lead[:, slab.turned])
    anew = _leads(slab)
    second = slab.second[due]
    within = second + 1 < slab.count[due]
    _sum_up(lead, state.lead[rows], second[within] + 1, due[within], anew[within])
    runs[0] = state.wide[rows]
    offset = ((OFFSET * BEAT_WINDOW) * (scale * scale)).astype(np.float32)
    np.less_equal(lead, offset, out=runs[1:].view(np.bool_))
    state.lead[rows] = slab.end(lead)
    state.lead[rows[due[~within]]] = anew[~within]


def _sum_up(lead: Floats32, before: Floats32, k: Ints, i: Rows, anew: Floats32) -> None:
    """Running sum over the steps, in place, from ``before`` on; at steps ``k`` of listeners ``i`` from ``anew`` on."""
    if len(k) == 0:
        for growth in lead:
            before = np.add(growth, before, out=growth)
        return
    keep = np.ones_like(lead)
    keep[k, i] = 0.0
    lead[k, i] += anew
    for growth, kept in zip(lead, keep, strict=True):
        kept *= before
        before = np.add(growth, kept, out=growth)


def _growth(waves: Floats32) -> Floats32:
    """By how much the short moving sum of the squared crest signal, weighted, gains on the long one a step, (m, t).

    All rows are one line in memory; what runs over a row's end is never read.
    """
    q = np.maximum(waves[:, WAVE - BEAT_WINDOW :], np.float32(0))
    m, width = q.shape
    line = q.reshape(-1)
    np.multiply(line, line, out=line)
    n = len(line) - BEAT_WINDOW
    growth = np.empty_like(line)
    inner = np.subtract(line[IN : IN + n], line[OUT : OUT + n], out=growth[:n])
    inner *= np.float32(BEAT_WINDOW / PEAK_WINDOW)
    inner += line[:n]
    inner -= line[BEAT_WINDOW:]
    return growth.reshape(m, width)[:, : width - BEAT_WINDOW]


def _leads(slab: Slab) -> Floats32:
    """The two moving sums' difference taken anew at the end of each listener's second, (e,).

    Once a second, so that rounding does not pile up and what a burst of motion left goes; tied to the listener's own
    second, so that it does not depend on the slabs.
    """
    i = slab.due
    q = slab.windows(i * slab.waves.shape[1] + slab.second[i] + (WAVE + 1 - BEAT_WINDOW), BEAT_WINDOW)
    if len(slab.turned):
        q[np.searchsorted(i, slab.turned)] *= np.float32(-1)
    np.maximum(q, np.float32(0), out=q)
    np.multiply(q, q, out=q)
    short = np.add.reduce(q[:, OUT : OUT + PEAK_WINDOW], axis=1)
    short *= np.float32(BEAT_WINDOW / PEAK_WINDOW)
    short -= np.add.reduce(q, axis=1)
    return np.asarray(short)

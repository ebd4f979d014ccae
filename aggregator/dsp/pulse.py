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

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Floats32, Ints, Rows
from aggregator.dsp.filters import butterworth, sos_run
from aggregator.dsp.grid import PULSE_HZ, Events, GridBlock
from aggregator.dsp.pulse_beats import find_beats
from aggregator.dsp.pulse_rate import each_second, find_scale
from aggregator.dsp.pulse_state import CUT_OFF_STAYS, FLAT, GOOD_INDEX, RATE, REGULAR, WAVE, PulseState, Slab

__all__ = ["PulseState", "update"]

# 0.5 Hz: below 40 bpm (0.67 Hz) by a margin; 5 Hz: the second harmonic of 150 bpm.
BAND = butterworth("band", 2, (0.5, 5.0), PULSE_HZ)
# Steps worked on at once. Less than a second and than the detector's look-ahead, so that a slab holds at most one
# second's end a listener; long catch-ups of few listeners don't make everybody's arrays long.
SLAB = 16
# Listeners whose moving sums are taken at once: their arrays stay in the cache (4 times faster than 2,000 at once).
PIECE = 1024
# A gap up to 4 samples (62 ms) is held (MEASUREMENTS: more than 4 needs a new start).
HELD = 4
LARGEST = 1e12  # raw units from the start level; 24-bit counts reach 2e7, and squares must fit single precision
WAVE_LIMIT = 4.0  # a pulse's crest is 2.5-3.5 times its mean magnitude
FLAT_SHARE = 1e-4  # of the scale: less change than this in a sample is none; what clips or sticks repeats exactly
CUT_OFF = 8  # a crest that stays for 0.125 s does not round: it is clipped
CUT_OFF_HEIGHT = 0.2  # of the scale: a plateau around the middle is no rail
# The offset is 0.02 x the mean of the squared crest signal (Elgendi 2013), which is about 0.8 scale^2 for a pulse.
OFFSET = 0.02 * 0.8
BEAT_WINDOW, PEAK_WINDOW = 43, 7


def update(state: PulseState, block: GridBlock) -> Events:
    """Fold a block into every listener's pulse. Returns one event a beat: crest's grid index, interval in s or NaN.

    ``block.x``: raw values in any unit, offset and polarity, up to 1e12 from where they began. A row begins anew at
    ``restart``: beats, rates and quality are forgotten; amplitude, template, polarity and variability stay.
    """
    parts = []
    with np.errstate(all="ignore"):  # NaN is "unknown" here, and empty windows divide 0 by 0
        for start in range(0, len(block.x), SLAB):
            n = block.active(start)
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
    if not fresh.any():
        return
    r = rows[fresh]
    state.origin[r] = state.previous[r] = first[fresh]
    state.band[r], state.wave[r], state.slow[r], state.levels[r] = 0.0, 0.0, 0.0, np.inf
    state.scale[r], state.missing[r], state.flat[r], state.slow_filled[r] = 0.0, 0, 0, 0
    state.inside[r], state.match[r], state.trust[r], state.good[r] = False, 0.0, 0.0, False
    for trust in (state.rate_confidence, state.interval_confidence, state.spectral_confidence):
        trust[r] = 0.0
    for unknown in (state.rate_bpm, state.interval_rate_bpm, state.spectral_rate_bpm, state.last_beat_index):
        unknown[r] = np.nan
    for unknown in (state.intervals, state.interval_s, state.paired_s, state.height, state.usual_s):
        unknown[r] = np.nan
    state.summary[r, RATE], state.summary[r, REGULAR], state.summary[r, GOOD_INDEX] = np.nan, 0.0, np.nan
    state.clipped[r] = CUT_OFF_STAYS


def _slab(state: PulseState, rows: Rows, index: Ints, count: Ints, x: Floats, valid: Bools) -> Events:
    """At most SLAB steps: the filters run in time, everything after them along each listener's own samples."""
    m = len(rows)
    centred, gap = _level(state, rows, index, count, x, valid)
    memory = np.ascontiguousarray(state.band.take(rows, axis=0).transpose(1, 2, 0))
    raw = np.ascontiguousarray(sos_run(BAND, memory, centred, count).T, dtype=np.float32)
    state.band[rows] = memory.transpose(2, 0, 1)
    slab = Slab(rows, count, index, x, gap, (-1 - index) % PULSE_HZ)
    slab.due = np.flatnonzero(slab.second < count)
    slab.waves = np.empty((m, WAVE + len(x)), np.float32)
    slab.waves[:, :WAVE] = state.wave.take(rows, axis=0)
    scale = _limit(state, slab, raw)
    _contact(state, slab, scale)
    parts = find_beats(state, slab, _blocks(slab, scale), each_second)
    state.wave[rows] = _tails(slab.waves, count, WAVE)
    last = slab.ends
    state.previous[rows] = x[count - 1, np.arange(m)]
    state.index[rows] = index + count - 1
    contact = (slab.flat[last] < FLAT) & (slab.cut[last] >= CUT_OFF_STAYS)
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
    if valid.all() and not missing.any():
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
    np.minimum(x, LARGEST, out=x)
    return np.maximum(x, -LARGEST, out=x)


def _limit(state: PulseState, slab: Slab, raw: Floats32) -> Floats32:
    """Limit the filtered signal to 4 scales, into ``slab.waves``; returns the scale, (m, 1) or (m, t).

    A second that ends in this slab renews scale and polarity for the samples after it.
    """
    before = state.scale[slab.rows][:, None]
    new = slab.waves[:, WAVE:]
    new[...] = _limited(raw, before)
    slab.sign = slab.sign_after = _signs(state, slab.rows)
    due = slab.due
    if len(due) == 0:
        return before
    find_scale(state, slab)
    slab.sign_after = _signs(state, slab.rows)
    after = state.scale[slab.rows[due]][:, None]
    later = np.arange(raw.shape[1]) > slab.second[due][:, None]
    new[due] = np.where(later, _limited(raw[due], after), new[due])
    scale = np.repeat(before, raw.shape[1], axis=1)
    scale[due] = np.where(later, after, scale[due])
    return scale


def _signs(state: PulseState, rows: Rows) -> Floats32:
    return np.where(state.polarity[rows] < 0, np.float32(-1), np.float32(1))


def _limited(y: Floats32, scale: Floats32) -> Floats32:
    bound = np.where(scale > 0, scale * np.float32(WAVE_LIMIT), np.float32(np.inf))
    out = np.minimum(y, bound)
    return np.maximum(out, -bound, out=out)


def _contact(state: PulseState, slab: Slab, scale: Floats32) -> None:
    """Samples in a row without a change, and samples since a crest or foot was cut off, at each step."""
    rows, x = slab.rows, slab.x
    t = len(x)
    change = np.empty_like(x)
    np.subtract(x[0], state.previous[rows], out=change[0])
    np.subtract(x[1:], x[:-1], out=change[1:])
    changed = FLAT_SHARE * scale < np.abs(change, out=change).T
    steps = np.arange(t)
    slab.flat = steps - _latest(changed, -1 - state.flat[rows])
    slab.ends = (np.arange(len(rows)), slab.count - 1)
    state.flat[rows] = slab.flat[slab.ends]
    cut = slab.flat == CUT_OFF
    since = -1 - state.clipped[rows]
    if cut.any():
        cut &= np.abs(slab.waves[:, WAVE:]) > CUT_OFF_HEIGHT * scale
        slab.cut = steps - _latest(cut, since)
    else:
        slab.cut = steps - since[:, None]
    state.clipped[rows] = slab.cut[slab.ends]


def _latest(mark: Bools, before: Ints) -> Ints:
    """Step of the latest mark at or before each step, (m, t); ``before`` (m,) where there is none yet."""
    latest: Ints = np.where(mark, np.arange(mark.shape[1]), before[:, None])
    return np.maximum.accumulate(latest, axis=1, out=latest)


def _blocks(slab: Slab, scale: Floats32) -> Bools:
    """Where a block of interest is, (m, t); whoever's polarity turns in this slab is asked under both."""
    m = len(slab.rows)
    inside = np.empty((m, len(slab.x)), np.bool_)
    for a in range(0, m, PIECE):
        p = slice(a, a + PIECE)
        inside[p] = _inside(slab.waves[p], slab.sign[p], scale[p])
    turned = np.flatnonzero(slab.sign != slab.sign_after)
    if len(turned):
        other = _inside(slab.waves[turned], slab.sign_after[turned], scale[turned])
        later = np.arange(inside.shape[1]) > slab.second[turned][:, None]
        inside[turned] = np.where(later, other, inside[turned])
    return inside


def _inside(waves: Floats32, sign: Floats32, scale: Floats32) -> Bools:
    """Whether the short moving average of the squared crest signal exceeds the long one plus an offset, (m, t).

    Sums over 43 and 7 samples as sums of 32 + 8 + 2 + 1 and 4 + 2 + 1, each from halves: the same order for every
    sample. All rows are one line in memory; sums that run over a row's end are never read.
    """
    m, t = len(waves), waves.shape[1] - WAVE
    width = BEAT_WINDOW - 1 + t
    q = (waves[:, WAVE + 1 - BEAT_WINDOW :] * sign[:, None]).reshape(-1)
    np.maximum(q, np.float32(0), out=q)
    np.multiply(q, q, out=q)
    s2 = q[:-1] + q[1:]
    s4 = s2[:-2] + s2[2:]
    s8 = s4[:-4] + s4[4:]
    s16 = s8[:-8] + s8[8:]
    n = len(q) - BEAT_WINDOW + 1
    long, short = np.empty_like(q), np.empty_like(q)
    np.add(s16[:n], s16[16 : 16 + n], out=long[:n])
    long[:n] += s8[32 : 32 + n]
    long[:n] += s2[40 : 40 + n]
    long[:n] += q[42:]
    np.add(s4[18 : 18 + n], s2[22 : 22 + n], out=short[:n])
    short[:n] += q[24 : 24 + n]
    short *= np.float32(BEAT_WINDOW / PEAK_WINDOW)
    bound = long.reshape(m, width)[:, :t] + np.float32(OFFSET * BEAT_WINDOW) * (scale * scale)
    return np.asarray(short.reshape(m, width)[:, :t] > bound)

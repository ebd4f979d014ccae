"""Pulse: raw optical samples at 64 Hz to beats, rates, amplitude, variability, quality; thousands of listeners a call.

Stages, all causal and in sample order:

1. Level: raw values minus ``origin``, which starts at the first sample and absorbs the jump over a gap of more than 4
   samples; shorter gaps are held.
2. Band-pass 0.5-5 Hz, Butterworth, second order (four poles), from rest.
3. Scale: running mean of ``|y|``, each sample limited to 6 times it; the signal itself is limited to 4 times it.
4. Beats: two moving averages (``pulse_beats``). 5. Each second of the listener's own samples: polarity, spectral rate,
   fusion, quality (``pulse_rate``).

Latency: a crest is decided 0.33 s + half its width (about 0.45 s) after it; the band-pass delays by 0.29 / 0.14 /
0.08 s at 0.8 / 1.2 / 2 Hz. Does not estimate blood pressure or oxygen, does not diagnose, and does not find a pulse
that motion of the same rate covers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Floats32, Ints, Rows
from aggregator.dsp.filters import butterworth, one_pole_gain, sos_run
from aggregator.dsp.grid import PULSE_HZ, Events, GridBlock
from aggregator.dsp.pulse_beats import find_beats
from aggregator.dsp.pulse_rate import each_second, find_polarity
from aggregator.dsp.pulse_state import BEAT_WINDOW, WAVE, PulseState

__all__ = ["PulseState", "update"]

# 0.5 Hz: below 40 bpm (0.67 Hz) by a margin; 5 Hz: the second harmonic of 150 bpm.
BAND = butterworth("band", 2, (0.5, 5.0), PULSE_HZ)
# Steps worked on at once. Less than a second and than the detector's look-ahead, so that a slab holds at most one
# second's end a listener; long catch-ups of few listeners don't make everybody's arrays long.
SLAB = 16
# A gap up to 4 samples (62 ms) is held (MEASUREMENTS: more than 4 needs a new start).
HELD = 4
SCALE_GAIN = one_pole_gain(2.0, PULSE_HZ)
WARM = 160  # samples after which SCALE_GAIN exceeds 1 / n, and some
SCALE_LIMIT = 6.0  # an artefact raises the scale by at most 5 % a sample
WAVE_LIMIT = 4.0  # a pulse's crest is 2.5-3.5 times its mean magnitude
FLAT_SHARE = 0.002  # of the scale: less change than this in a sample is none
FLAT = 32  # half a second without a change: no finger, or a stuck sensor
CUT_OFF = 10  # a crest that stays for 0.16 s does not round: it is clipped
CUT_OFF_HEIGHT = 0.5  # of the scale
CUT_OFF_STAYS = 96  # a clipped crest denies contact for 1.5 s, longer than a beat at 40 bpm


@dataclass(slots=True)
class Slab:
    """At most SLAB steps of ``m`` listeners; arrays are (t, m) unless said otherwise."""

    rows: Rows
    count: Ints
    index: Ints
    x: Floats
    valid: Bools
    gap: Ints  # (t, m) or (m,): grid index at which the last gap ended
    scale: Floats
    waves: Floats32  # (m, WAVE + t)
    sign: Floats  # (t, m) or (m,)
    flat: Ints
    cut: Ints
    due: Ints  # (m,) step at which the listener's second ends, >= count if not in this slab


def update(state: PulseState, block: GridBlock) -> Events:
    """Fold a block into every listener's pulse. Returns one event a beat: crest's grid index, interval in s or NaN."""
    parts = []
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
    state.band[r], state.power[r], state.wave[r], state.slow[r] = 0.0, 0.0, 0.0, 0.0
    state.scale[r], state.age[r], state.missing[r], state.flat[r] = 0.0, 0, 0, 0
    state.inside[r], state.slow_filled[r], state.match[r], state.trust[r] = False, 0, 0.0, 0.0
    for trust in (state.rate_confidence, state.interval_confidence, state.spectral_confidence):
        trust[r] = 0.0
    for unknown in (state.rate_bpm, state.interval_rate_bpm, state.spectral_rate_bpm, state.last_beat_index):
        unknown[r] = np.nan
    for unknown in (state.intervals, state.interval_s, state.paired_s, state.height):
        unknown[r] = np.nan
    state.clipped[r] = CUT_OFF_STAYS


def _slab(state: PulseState, rows: Rows, index: Ints, count: Ints, x: Floats, valid: Bools) -> Events:
    t, m = x.shape
    columns = np.arange(m)
    centred, gap = _level(state, rows, index, count, x, valid)
    memory = np.ascontiguousarray(state.band[rows].transpose(1, 2, 0))
    y = sos_run(BAND, memory, centred, count)
    state.band[rows] = memory.transpose(2, 0, 1)
    scale = _scale(state, rows, count, y)
    limit = WAVE_LIMIT * scale
    np.minimum(y, limit, out=y)
    np.maximum(y, np.negative(limit, out=limit), out=y)
    waves = np.empty((m, WAVE + t), np.float32)
    waves[:, :WAVE] = state.wave[rows]
    waves[:, WAVE:] = y.T
    flat, cut = _flat(state, rows, count, x, y, scale)
    due = (-1 - index) % PULSE_HZ
    slab = Slab(rows, count, index, x, valid, gap, scale, waves, np.empty(0), flat, cut, due)
    slab.sign = find_polarity(state, slab)
    inside = _inside(state, slab)
    parts = find_beats(state, slab, inside, each_second)
    state.wave[rows] = _tails(waves, count, WAVE)
    state.previous[rows] = x[count - 1, columns]
    state.index[rows] = index + count - 1
    state.age[rows] += count
    state.contact[rows] = (flat[count - 1, columns] < FLAT) & (cut[count - 1, columns] >= CUT_OFF_STAYS)
    state.quality[rows] = state.trust[rows] * state.contact[rows]
    return Events.join(parts)


def _tails(history: Floats32, count: Ints, length: int) -> Floats32:
    """Of each row the ``length`` entries that end ``count`` after the first ``length``."""
    first = int(count[0])
    if count[-1] == first:
        return history[:, first : first + length]
    return np.take_along_axis(history, count[:, None] + np.arange(length), axis=1)


def _level(state: PulseState, rows: Rows, index: Ints, count: Ints, x: Floats, valid: Bools) -> tuple[Floats, Ints]:
    """Raw values minus origin; and the grid index at which the last gap ended."""
    origin, missing, gap = state.origin[rows], state.missing[rows], state.gap[rows]
    if valid.all() and not missing.any():
        return x - origin, gap
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
    return centred, gaps


def _scale(state: PulseState, rows: Rows, count: Ints, y: Floats) -> Floats:
    """Running mean of |y| at each step; a plain mean over the first second."""
    t, m = y.shape
    scales = np.empty((t + 1, m))
    scales[0] = state.scale[rows]
    age = state.age[rows]
    young = bool((age < WARM).any())
    magnitude = np.abs(y)
    if young:
        gains = np.maximum(SCALE_GAIN, 1.0 / (age + np.arange(1, t + 1)[:, None]))
        limits = np.where(age + np.arange(t)[:, None] < PULSE_HZ, np.inf, SCALE_LIMIT)
        for j in range(t):
            before = scales[j]
            limited = np.minimum(magnitude[j], np.where(np.isinf(limits[j]), np.inf, before * SCALE_LIMIT))
            np.add(before, gains[j] * (limited - before), out=scales[j + 1])
    else:
        step = np.empty(m)
        for j in range(t):
            before = scales[j]
            np.multiply(before, SCALE_LIMIT, out=step)
            np.minimum(magnitude[j], step, out=step)
            np.subtract(step, before, out=step)
            np.multiply(step, SCALE_GAIN, out=step)
            np.add(before, step, out=scales[j + 1])
    state.scale[rows] = scales[count, np.arange(m)]
    return scales[1:]


def _flat(state: PulseState, rows: Rows, count: Ints, x: Floats, y: Floats, scale: Floats) -> tuple[Ints, Ints]:
    """Samples in a row without a change, and samples since a crest or foot was cut off, at each step."""
    t, m = x.shape
    steps = np.arange(t)[:, None]
    columns = np.arange(m)
    change = np.empty_like(x)
    np.subtract(x[0], state.previous[rows], out=change[0])
    np.subtract(x[1:], x[:-1], out=change[1:])
    changed = np.abs(change, out=change) > FLAT_SHARE * scale
    run = steps - _latest(changed, -1 - state.flat[rows])
    state.flat[rows] = run[count - 1, columns]
    cut = (run == CUT_OFF) & (np.abs(y) > CUT_OFF_HEIGHT * scale)
    since = state.clipped[rows]
    ages = steps - _latest(cut, -1 - since) if cut.any() else steps + 1 + since
    state.clipped[rows] = ages[count - 1, columns]
    return run, ages


def _latest(mark: Bools, before: Ints) -> Ints:
    """Step of the latest mark at or before each step; ``before`` (m,) where there is none yet."""
    latest = np.where(mark, np.arange(len(mark))[:, None], before)
    for j in range(1, len(mark)):
        np.maximum(latest[j], latest[j - 1], out=latest[j])
    return latest


def _inside(state: PulseState, slab: Slab) -> Bools:
    """Whether the short moving average of the squared crest signal exceeds the long one plus an offset, (t, m)."""
    t, m = slab.x.shape
    power = np.empty((BEAT_WINDOW + t, m))
    power[:BEAT_WINDOW] = state.power[slab.rows].T
    crest = np.maximum(slab.waves[:, WAVE:].T * slab.sign, 0.0)
    np.multiply(crest, crest, out=crest)
    for j in range(t):
        np.add(power[BEAT_WINDOW - 1 + j], crest[j], out=power[BEAT_WINDOW + j])
    state.power[slab.rows] = _tails(power.T, slab.count, BEAT_WINDOW)
    short = power[25 : 25 + t] - power[18 : 18 + t]
    long = power[BEAT_WINDOW:] - power[:t]
    return short * (BEAT_WINDOW / 7.0) > long + (OFFSET * BEAT_WINDOW) * (slab.scale * slab.scale)


# The offset is 0.02 x the mean of the squared crest signal (Elgendi 2013), which is about 0.8 scale^2 for a pulse.
OFFSET = 0.02 * 0.8

"""What is decided once a second of the listener's own samples: polarity, spectral rate, fused rate, quality."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Rows
from aggregator.dsp.grid import PULSE_HZ
from aggregator.dsp.pulse_beats import RATIO_HIGH, RATIO_LOW, VARIABILITY_S, median_interval
from aggregator.dsp.pulse_state import SLOW, SLOW_HZ, WAVE, PulseState

if TYPE_CHECKING:
    from aggregator.dsp.pulse import Slab

SKEW_FADE = 0.88  # a second: polarity remembers ~8 s
SKEW_KNOWN = 0.15  # combined skewness that decides; a sine has none
TRANSFORM = 256  # 8 s zero-padded to 16: bins of 3.75 bpm, a parabola between them
BIN_HZ = SLOW_HZ / TRANSFORM
LOWEST, HIGHEST = 10, 49  # bins of 37.5 and 183.75 bpm
BROAD_LOW, BROAD_HIGH = 7, 104  # bins of 0.44 and 6.5 Hz
LOBE = 3  # bins to each side that belong to a line: a Hann window over 8 s is 4 bins wide to each side
HANN = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(SLOW) + 0.5) / SLOW)
HARMONIC = 0.5
PRIOR_BONUS, PRIOR_WIDTH_BPM = 0.3, 12.0
AGREE_BPM = 6.0
SPECTRAL_FROM_S = 4


def _recent(slab: Slab, i: Rows) -> Floats:
    """The second of filtered samples that ends at each due step, (e, 64)."""
    width = slab.waves.shape[1]
    start = i * width + slab.due[i] + (WAVE + 1 - PULSE_HZ)
    recent: Floats = slab.waves.reshape(-1)[start[:, None] + np.arange(PULSE_HZ)].astype(np.float64)
    return recent


def find_polarity(state: PulseState, slab: Slab) -> Floats:
    """+1 or -1, (m,) or (t, m) when it turns within the slab.

    Skewness tells up from down (Elgendi 2016, Bioengineering 3(4):21: an upright pulse has narrow crests, so positive
    skewness); the slope's skewness likewise (the upstroke is faster than the decline).
    """
    rows = slab.rows
    before = _signs(state, rows)
    i = np.flatnonzero(slab.due < slab.count)
    if len(i) == 0:
        return before
    wave = _recent(slab, i)
    slope = wave[:, 1:] - wave[:, :-1]
    moments = state.moments[rows[i]] * SKEW_FADE
    for n, part in enumerate((wave * wave, wave**3, slope * slope, slope**3)):
        moments[:, n] += np.sum(part, axis=1)
    state.moments[rows[i]] = moments
    mass = PULSE_HZ / (1.0 - SKEW_FADE)
    skew = np.sqrt(mass) * (
        moments[:, 1] / (moments[:, 0] ** 1.5 + 1e-300) + moments[:, 3] / (moments[:, 2] ** 1.5 + 1e-300)
    )
    found = np.where(skew > SKEW_KNOWN, 1, np.where(skew < -SKEW_KNOWN, -1, state.polarity[rows[i]]))
    state.polarity[rows[i]] = np.where(state.forced_polarity[rows[i]] != 0, state.forced_polarity[rows[i]], found)
    after = _signs(state, rows)
    turned = before != after
    if not turned.any():
        return after
    return np.where(np.arange(len(slab.x))[:, None] > slab.due, after, before)


def _signs(state: PulseState, rows: Rows) -> Floats:
    return np.where(state.polarity[rows] < 0, -1.0, 1.0)


def each_second(state: PulseState, slab: Slab, i: Rows) -> None:
    """Spectral and interval rate, fusion and quality of the listeners ``i`` of the slab whose second ends in it."""
    rows, k = slab.rows[i], slab.due[i]
    _slow(state, slab, i, rows)
    contact = (slab.flat[k, i] < 32) & (slab.cut[k, i] >= 96)
    _spectral(state, rows)
    _interval(state, rows, slab.index[i] + k)
    _fuse(state, rows, contact)
    level = np.abs(slab.x[k, i])
    with np.errstate(divide="ignore"):
        state.perfusion[rows] = np.where(level > 0.0, state.amplitude[rows] / level, np.nan)
    state.rmssd_confidence[rows] = np.minimum(state.clean_s[rows] / (VARIABILITY_S * 0.6), 1.0) * state.trust[rows]


def _slow(state: PulseState, slab: Slab, i: Rows, rows: Rows) -> None:
    quarter = _recent(slab, i).reshape(len(i), SLOW_HZ, 4)
    mean = 0.25 * ((quarter[:, :, 0] + quarter[:, :, 1]) + (quarter[:, :, 2] + quarter[:, :, 3]))
    state.slow[rows] = np.concatenate([state.slow[rows][:, SLOW_HZ:], mean.astype(np.float32)], axis=1)
    state.slow_filled[rows] = np.minimum(state.slow_filled[rows] + 1, SLOW // SLOW_HZ)


def _spectral(state: PulseState, rows: Rows) -> None:
    """Strongest line with its second harmonic, and the share of all power in both."""
    spectrum = np.fft.rfft(state.slow[rows] * HANN, TRANSFORM, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    size = np.sqrt(power)
    bins = np.arange(LOWEST, HIGHEST + 1)
    comb = size[:, LOWEST : HIGHEST + 1] + HARMONIC * size[:, 2 * LOWEST : 2 * HIGHEST + 1 : 2]
    known = state.rate_bpm[rows]
    away = (bins * (60.0 * BIN_HZ) - known[:, None]) / PRIOR_WIDTH_BPM
    bonus = np.where(np.isnan(away), 0.0, PRIOR_BONUS * np.maximum(1.0 - away * away, 0.0))
    local = (size[:, LOWEST : HIGHEST + 1] >= size[:, LOWEST - 1 : HIGHEST]) & (
        size[:, LOWEST : HIGHEST + 1] >= size[:, LOWEST + 1 : HIGHEST + 2]
    )
    best = np.argmax(np.where(local, comb * (1.0 + bonus), -1.0), axis=1) + LOWEST
    each = np.arange(len(rows))
    a, b, c = (np.log(size[each, best + d] + 1e-300) for d in (-1, 0, 1))
    bend = a - 2.0 * b + c
    offset = np.where(bend < 0.0, 0.5 * (a - c) / np.minimum(bend, -1e-12), 0.0)
    sums = np.zeros((len(rows), power.shape[1] + 1))
    np.cumsum(power, axis=1, out=sums[:, 1:])
    near = _between(sums, best - LOBE, best + LOBE) + _between(sums, 2 * best - LOBE, 2 * best + LOBE)
    total = sums[:, BROAD_HIGH + 1] - sums[:, BROAD_LOW]
    share = near / (total + 1e-300)
    filled = state.slow_filled[rows]
    confidence = np.clip((share - 0.4) / 0.4, 0.0, 1.0) * (filled >= SPECTRAL_FROM_S)
    state.spectral_rate_bpm[rows] = np.where(
        (filled >= SPECTRAL_FROM_S) & (total > 0.0), (best + np.clip(offset, -0.5, 0.5)) * (60.0 * BIN_HZ), np.nan
    )
    state.spectral_confidence[rows] = np.where(total > 0.0, confidence, 0.0)


def _between(sums: Floats, low: Rows, high: Rows) -> Floats:
    each = np.arange(len(sums))
    return sums[each, high + 1] - sums[each, low]


def _interval(state: PulseState, rows: Rows, index: Rows) -> None:
    """60 / mean of the remembered intervals near their median; trusted by their share, the template, freshness."""
    intervals = state.intervals[rows]
    usual = median_interval(intervals)[:, None]
    with np.errstate(invalid="ignore"):
        near = (intervals >= RATIO_LOW * usual) & (intervals <= RATIO_HIGH * usual)
    number = np.sum(near, axis=1)
    total = np.sum(np.where(near, intervals, 0.0), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        state.interval_rate_bpm[rows] = np.where(number >= 2, 60.0 * number / total, np.nan)
    known = np.sum(~np.isnan(intervals), axis=1)
    share = number / np.maximum(known, 4)
    silent = (index - state.last_beat_index[rows]) / PULSE_HZ
    fresh = np.clip((4.0 - silent) / 2.0, 0.0, 1.0)
    match = np.clip((state.match[rows] - 0.5) / 0.4, 0.0, 1.0)
    spread = np.sum(np.where(near, np.abs(intervals - usual), 0.0), axis=1) / np.maximum(total, 1e-9)
    regular = np.clip(1.4 - spread * 5.0, 0.0, 1.0)
    value = np.where((number >= 2) & ~np.isnan(fresh), share * share * match * regular * np.nan_to_num(fresh), 0.0)
    state.interval_confidence[rows] = value


def _fuse(state: PulseState, rows: Rows, contact: Bools) -> None:
    """Weighted mean where both agree; else the more trusted one, trusted less."""
    a, b = state.interval_rate_bpm[rows], state.spectral_rate_bpm[rows]
    ca = np.where(np.isnan(a), 0.0, state.interval_confidence[rows])
    cb = np.where(np.isnan(b), 0.0, state.spectral_confidence[rows])
    apart = np.abs(a - b)
    agree = apart <= AGREE_BPM
    weight = (ca * ca) / (ca * ca + 0.25 * cb * cb + 1e-12)
    mixed = np.where(agree, weight * a + (1.0 - weight) * b, np.where(ca >= cb, a, b))
    rate = np.where(np.isnan(mixed), np.where(np.isnan(a), b, a), mixed)
    both = 1.0 - (1.0 - ca) * (1.0 - cb)
    confidence = np.where(agree, both, 0.5 * np.maximum(ca, cb)) * contact
    state.rate_bpm[rows] = np.where(contact, rate, np.nan)
    state.rate_confidence[rows] = confidence
    state.trust[rows] += 0.5 * (confidence - state.trust[rows])

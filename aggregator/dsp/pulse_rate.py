"""What is decided once a second of the listener's own samples: polarity, spectral rate, fused rate, quality."""

from __future__ import annotations

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Floats32, Rows
from aggregator.dsp.grid import PULSE_HZ
from aggregator.dsp.pulse_beats import RATIO_HIGH, RATIO_LOW, VARIABILITY_S, median_interval
from aggregator.dsp.pulse_state import CUT_OFF_STAYS, FLAT, SECONDS, SLOW, SLOW_HZ, WAVE, PulseState, Slab

SKEW_FADE = 0.94  # a second: polarity remembers ~16 s
# Skewness that decides at first, and that turns a polarity already known (a sine has none): hysteresis, since a turn
# moves every beat by half an interval.
SKEW_KNOWN, SKEW_TURNS = 0.1, 0.3
SKEW_FROM = 2.5  # seconds of evidence
MOVING = 2.0  # a second of more than twice the usual magnitude is motion
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


def _recent(slab: Slab) -> Floats32:
    """The second of filtered samples that ends at each due step, (e, 64)."""
    width = slab.waves.shape[1]
    start = slab.due * width + slab.second[slab.due] + (WAVE + 1 - PULSE_HZ)
    recent: Floats32 = slab.waves.reshape(-1)[start[:, None] + _SECOND]
    return recent


_SECOND = np.arange(PULSE_HZ)


def find_scale(state: PulseState, slab: Slab) -> None:
    """Append the second to the slow ring (16 Hz) and its mean magnitude to the levels; scale = their lower median."""
    rows = slab.rows[slab.due]
    recent = _recent(slab)
    quarter = recent.reshape(len(rows), SLOW_HZ, 4)
    slow = (quarter[:, :, 0] + quarter[:, :, 1]) + (quarter[:, :, 2] + quarter[:, :, 3])
    slow *= np.float32(0.25)
    state.slow[rows] = np.concatenate([state.slow[rows, SLOW_HZ:], slow], axis=1)
    level = np.sum(np.abs(slow), axis=1)[:, None] * np.float32(1.0 / SLOW_HZ)
    levels = np.concatenate([state.levels[rows, 1:], level], axis=1)
    state.levels[rows] = levels
    known = np.minimum(state.slow_filled[rows] + 1, SECONDS)
    state.slow_filled[rows] = known
    state.scale[rows] = np.sort(levels, axis=1)[np.arange(len(rows)), (known - 1) // 2]


def find_polarity(state: PulseState, slab: Slab) -> None:
    """Skewness tells up from down: an upright pulse has narrow crests (Elgendi 2016, Bioengineering 3(4):21).

    Of the last ~16 s at rest (seconds of motion don't count): ``mean(y^3) / mean(y^2)^1.5`` with y in scales.
    """
    rows = slab.rows[slab.due]
    scale = state.scale[rows][:, None]
    y = (state.slow[rows, SLOW - SLOW_HZ :] / (scale + np.float32(1e-30))).astype(np.float64)
    square = y * y
    rest = (state.levels[rows, -1] <= MOVING * state.scale[rows]) & (state.scale[rows] > 0)
    moments = state.moments[rows]
    moments *= np.where(rest, SKEW_FADE, 1.0)[:, None]
    moments[:, 0] += rest
    moments[:, 1] += np.where(rest, np.sum(square, axis=1), 0.0)
    moments[:, 2] += np.where(rest, np.sum(square * y, axis=1), 0.0)
    state.moments[rows] = moments
    skew = moments[:, 2] * np.sqrt(moments[:, 0] * SLOW_HZ) / (moments[:, 1] ** 1.5 + 1e-300)
    known = state.polarity[rows]
    bound = np.where(known == 0, SKEW_KNOWN, SKEW_TURNS)
    decided = (np.abs(skew) > bound) & (moments[:, 0] >= SKEW_FROM)
    found = np.where(decided, np.where(skew > 0, 1, -1), known)
    forced = state.forced_polarity[rows]
    found = np.where(forced != 0, forced, found)
    state.polarity[rows] = found


def each_second(state: PulseState, slab: Slab) -> None:
    """Spectral and interval rate, fusion and quality of those listeners of the slab whose second ends in it."""
    i = slab.due
    rows, k = slab.rows[i], slab.second[i]
    turned = rows[slab.sign[i] != slab.sign_after[i]]
    state.template[turned], state.good[turned], state.height[turned] = 0.0, False, np.nan
    contact = (slab.flat[i, k] < FLAT) & (slab.cut[i, k] >= CUT_OFF_STAYS)
    _spectral(state, rows)
    _interval(state, rows, slab.index[i] + k)
    _fuse(state, rows, contact)
    level = np.abs(slab.x[k, i])
    state.perfusion[rows] = np.where(level > 0.0, state.amplitude[rows] / level, np.nan)
    state.rmssd_confidence[rows] = np.minimum(state.clean_s[rows] / (VARIABILITY_S * 0.6), 1.0) * state.trust[rows]


def _spectral(state: PulseState, rows: Rows) -> None:
    """Strongest line with its second harmonic, and the share of all power in both."""
    levels, scale = state.levels[rows], state.scale[rows][:, None]
    weight = np.minimum(MOVING * 0.75 * scale / (levels + np.float32(1e-30)), np.float32(1))
    weight = np.where(np.isnan(weight), np.float32(0), weight * weight)
    slow = (state.slow[rows].reshape(-1, SECONDS, SLOW_HZ) * weight[:, :, None]).reshape(-1, SLOW)
    spectrum = np.fft.rfft(slow * HANN, TRANSFORM, axis=1)
    power = spectrum.real * spectrum.real + spectrum.imag * spectrum.imag
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
    silent = (index - state.good_index[rows]) / PULSE_HZ
    fresh = np.clip((7.0 - silent) / 4.0, 0.0, 1.0)
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

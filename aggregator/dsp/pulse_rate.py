"""What is decided once a second of the listener's own samples: polarity, spectral rate, fused rate, quality."""

from __future__ import annotations

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Floats32, Ints, Rows
from aggregator.dsp.grid import PULSE_HZ
from aggregator.dsp.pulse_beats import VARIABILITY_S
from aggregator.dsp.pulse_state import (
    CLEAN_S,
    GOOD_INDEX,
    NOTHING,
    RATE,
    REGULAR,
    SECONDS,
    SLOW,
    SLOW_HZ,
    UNKNOWN,
    WAVE,
    PulseState,
    Slab,
)

# Mean cube (in scales) that decides at first, and that turns a polarity already known: hysteresis, since a turn moves
# every beat by half an interval. A sine has 0, pulses have 1-4.
SKEW_KNOWN, SKEW_TURNS = np.float32(0.25), np.float32(0.4)
SKEW_NEEDED = np.array([SKEW_KNOWN, SKEW_TURNS])
SKEW_FROM_S, SKEW_MEMORY_S = 3, 16
SKEW_TRUST = 0.3  # once known, only a pulse that is trusted so far is evidence: noise has a skewness too
MOVING = np.float32(2.0)  # a second of more than twice the usual magnitude is motion
TAME = np.float32(1.5)  # in the spectrum louder seconds than this many scales are turned down
BIN_HZ = SLOW_HZ / SLOW  # 7.5 bpm; a parabola between the bins
LOWEST, HIGHEST = 5, 24  # bins of 37.5 and 180 bpm
BROAD_LOW, BROAD_HIGH = 4, 52  # bins of 0.5 and 6.5 Hz
LOBE = 2  # bins to each side that belong to a line under a Hann window
HANN = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(SLOW) + 0.5) / SLOW)
HARMONIC = np.float32(0.5)
PRIOR_BONUS, PRIOR_WIDTH_BPM = 0.3, 12.0
AGREE_BPM = 6.0
SPECTRAL_FROM_S = 4
RISE = 0.5  # a second: quality falls at once and comes back over a few seconds
FADED_S, FADE_S = 7.0, 4.0  # an interval-based rate is trusted in full for 3 s after the last good beat, then fades
CLEAN_ENOUGH_S = 0.6 * VARIABILITY_S  # what CLEAN_S reaches after 2 min of clean intervals (1 - 1/e), rounded


def _recent(slab: Slab) -> Floats32:
    """The second of filtered samples that ends at each due step, (e, 64)."""
    width = slab.waves.shape[1]
    return slab.windows(slab.due * width + slab.second[slab.due] + (WAVE + 1 - PULSE_HZ), PULSE_HZ)


def find_scale(state: PulseState, slab: Slab) -> None:
    """Append the second to the slow ring (16 Hz) and its mean magnitude to the levels; scale = their lower median.

    With it the polarity: skewness tells up from down, an upright pulse has narrow crests (Elgendi 2016,
    Bioengineering 3(4):21). Running mean over ~16 s of ``(y / scale)^3``; seconds of motion don't count.
    """
    rows = slab.rows[slab.due]
    recent = _recent(slab)
    slow = np.add(recent[:, ::4], recent[:, 1::4])
    slow += recent[:, 2::4]
    slow += recent[:, 3::4]
    slow *= np.float32(0.25)
    ring = np.concatenate([state.slow.take(rows, axis=0)[:, SLOW_HZ:], slow], axis=1)
    level = np.add.reduce(np.abs(slow), axis=1) * np.float32(1.0 / SLOW_HZ)
    levels = np.concatenate([state.levels.take(rows, axis=0)[:, 1:], level[:, None]], axis=1)
    known = np.minimum(state.slow_filled[rows] + 1, SECONDS)
    state.slow[rows], state.levels[rows], state.slow_filled[rows] = ring, levels, known
    ordered = levels.copy()
    ordered.sort(axis=1)
    scale = ordered[np.arange(len(rows)), (known - 1) // 2]
    state.scale[rows] = scale
    slab.spectral = _spectral(ring, levels, scale, known, state.rate_bpm[rows])
    slow /= scale[:, None] + np.float32(1e-30)
    cube = np.add.reduce(slow * slow * slow, axis=1) * np.float32(1.0 / SLOW_HZ)
    turned = _find_polarity(state, rows, cube, (level <= MOVING * scale) & (scale > 0))
    if np.count_nonzero(turned):
        slab.turned = slab.due[turned]
        state.slow[rows[turned]] *= np.float32(-1)


def _find_polarity(state: PulseState, rows: Rows, cube: Floats32, rest: Bools) -> Bools:
    """``cube`` of the signal as it was turned so far. Returns whose polarity turns."""
    before, skew, seconds = state.polarity[rows], state.skew[rows], state.skew_s[rows]
    known = before != 0
    cube = np.where(before < 0, -cube, cube)
    counts = rest & (~known | (state.trust[rows] >= SKEW_TRUST))
    seconds = np.minimum(seconds + counts, SKEW_MEMORY_S)
    skew = np.where(counts, skew + (cube - skew) / seconds.astype(np.float32), skew)
    state.skew[rows], state.skew_s[rows] = skew, seconds
    decided = (np.abs(skew) > SKEW_NEEDED[known.view(np.int8)]) & (seconds >= SKEW_FROM_S)
    found = np.where(decided, np.copysign(ONE, skew).astype(np.int64), before)
    forced = state.forced_polarity[rows]
    after = np.where(forced != 0, forced, found)
    state.polarity[rows] = after
    return np.asarray((before < 0) != (after < 0))


def each_second(state: PulseState, slab: Slab, summary: Floats) -> None:
    """Spectral rate, fusion and quality of those listeners of the slab whose second ends in it.

    ``summary`` (e, 4): their ``PulseState.summary`` as it was at the second's end.
    """
    i = slab.due
    rows, k = slab.rows[i], slab.second[i]
    if len(slab.turned):
        turned = slab.rows[slab.turned]
        state.template[turned], state.good[turned], state.height[turned] = 0.0, False, np.nan
    spectral, sure = slab.spectral
    silent = (slab.index[i] + k - summary[:, GOOD_INDEX]) * (1.0 / PULSE_HZ)
    fresh = np.minimum(np.maximum((FADED_S - silent) * (1.0 / FADE_S), 0.0), 1.0)
    trust = np.where(fresh > 0.0, fresh * summary[:, REGULAR], NOTHING)
    _fuse(state, rows, summary[:, RATE], trust, spectral, sure, slab.touch)
    clean = np.minimum(summary[:, CLEAN_S] * (1.0 / CLEAN_ENOUGH_S), 1.0)
    state.rmssd_confidence[rows] = np.fmax(clean, 0.0) * state.trust[rows]


def _spectral(
    ring: Floats32, levels: Floats32, scale: Floats32, known: Ints, rate_bpm: Floats
) -> tuple[Floats, Floats]:
    """Rate of the strongest line with its second harmonic, and the share of all power in both as trust.

    ``ring`` (e, 128), ``levels`` (e, 8), ``known`` (e,) seconds in them, ``rate_bpm`` (e,) the last fused rate.
    """
    weight = np.minimum((TAME * scale)[:, None] / levels, ONE)
    weight *= weight
    tamed = ring.reshape(-1, SECONDS, SLOW_HZ) * weight[:, :, None]
    power = _power(tamed.reshape(-1, SLOW))
    best = np.argmax(_comb(power, rate_bpm), axis=1) + LOWEST
    line = power.reshape(-1)
    at = np.arange(0, line.size, power.shape[1]) + best
    lobe = line[at[:, None] + _LOBE]
    left, top, right = np.log(lobe[:, LOBE - 1 : LOBE + 2]).T
    offset = np.float32(0.5) * (left - right) / np.minimum(left + right - (top + top), TINY)
    at += best
    at += offset > QUARTER
    at -= offset < -QUARTER
    near = np.add.reduce(lobe, axis=1) + np.add.reduce(line[at[:, None] + _LOBE], axis=1)
    share = near / np.add.reduce(power[:, BROAD_LOW:], axis=1)
    peak = (np.abs(offset) <= ONE) & (known >= SPECTRAL_FROM_S)
    sure = np.where(peak, np.minimum(np.maximum((share - 0.55) * 2.5, 0.0), 1.0), NOTHING)
    return np.where(peak, (best + offset) * (60.0 * BIN_HZ), UNKNOWN), sure


def _power(signal: Floats32) -> Floats32:
    """Power spectrum of each row, (e, 53): bins up to BROAD_HIGH."""
    parts = np.fft.rfft(signal * HANN, axis=1).view(np.float64)
    parts *= parts
    end = 2 * BROAD_HIGH + 2
    return (parts[:, :end:2] + parts[:, 1:end:2]).astype(np.float32)


def _comb(power: Floats32, rate_bpm: Floats) -> Floats32:
    """Size of each line plus half of its second harmonic's, raised by up to 0.3 near ``rate_bpm``, (e, 20)."""
    size = np.sqrt(power[:, LOWEST : 2 * HIGHEST + 1])
    comb = size[:, LOWEST::2] * HARMONIC
    comb += size[:, : HIGHEST + 1 - LOWEST]
    bonus = BINS - rate_bpm.astype(np.float32)[:, None]
    bonus *= bonus
    bonus *= PRIOR_FALLS
    bonus += PRIOR_TOP
    comb *= np.fmax(bonus, ONE)
    return comb


ONE, QUARTER, TINY = np.float32(1), np.float32(0.25), np.float32(-1e-12)
BINS = (np.arange(LOWEST, HIGHEST + 1) * (60.0 * BIN_HZ)).astype(np.float32)
PRIOR_TOP, PRIOR_FALLS = np.float32(1.0 + PRIOR_BONUS), np.float32(-PRIOR_BONUS / PRIOR_WIDTH_BPM**2)
_LOBE = np.arange(-LOBE, LOBE + 1)


def _fuse(
    state: PulseState, rows: Rows, a: Floats, trust_a: Floats, b: Floats, trust_b: Floats, contact: Bools
) -> None:
    """Weighted mean where both agree; else the more trusted one, trusted less."""
    agree = np.abs(a - b) <= AGREE_BPM
    square_a, square_b = trust_a * trust_a, 0.25 * trust_b * trust_b
    mixed = (square_a * a + square_b * b) / (square_a + square_b)
    chosen = np.where((trust_a >= trust_b) | np.isnan(b), a, b)
    both = trust_a + trust_b - trust_a * trust_b
    confidence = np.where(agree, both, 0.5 * np.maximum(trust_a, trust_b)) * contact
    rate = np.where(agree & (both > 0.0), mixed, chosen)
    state.rate_bpm[rows] = np.where(contact, rate, UNKNOWN)
    state.rate_confidence[rows] = confidence
    state.interval_rate_bpm[rows], state.interval_confidence[rows] = a, trust_a
    state.spectral_rate_bpm[rows], state.spectral_confidence[rows] = b, trust_b
    before = state.trust[rows]
    state.trust[rows] = np.minimum(confidence, before + RISE * (confidence - before))

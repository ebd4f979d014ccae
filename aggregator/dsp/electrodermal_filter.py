"""Skin conductance, sample by sample: contact gate, Kalman filter, peaks of the driver. See electrodermal.py.

All functions work in place on ``c``, shape ``(CORE, n)``: one row a quantity, one column a listener.
"""

from __future__ import annotations

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.dsp.grid import SKIN_HZ

# Rows of c: level, the two leaky integrators and the driver; the last three samples; the peak under way (lowest driver
# before it, highest in it, lowest and highest sample, steepest 3 steps, sample half a second in, decay of what was
# before, onset index, whether there is one); then mean absolute error, trust, steps of quiet left, steps without a good
# sample, and electrodermal_count's four.
LEVEL, FAST, SLOW, DRIVER, X1, X2, X3, LOW, HIGH, BASE, TOP, STEEP, MIDWAY, DECAY, ONSET, RISING = range(16)
NOISE, TRUST, QUIET, MISSING, WATCHED_NOW, WATCHED, COUNTED, LOG_ODDS = range(16, 24)
CORE = 24

DT_S = 1.0 / SKIN_HZ

# Shape that the filter expects: rise 1.0 s, recovery 4.0 s, near the start values of Benedek & Kaernbach 2010 (1.0,
# 3.75 s); cvxEDA's 0.7/2.0 s and a sluggish 1.5/8.0 s are explained well enough to be counted (tests).
RISE_S, RECOVERY_S = 1.0, 4.0
DRIVER_S = 0.5  # correlation of the driver: nerve bursts are shorter than a second
# Per step: exp(-dt / time constant), and the steady-state gains for a level that wanders 0.01 uS/sqrt(s), a driver
# renewed by 0.05 uS/s a step and a noise of 0.004 uS. tests recompute them by iterating the Riccati equation.
KEEP_RISE, KEEP_RECOVERY, KEEP_DRIVER = 0.8824969025845955, 0.9692332344763441, 0.7788007830714049
GAIN_LEVEL, GAIN_RISE, GAIN_RECOVERY, GAIN_DRIVER = 0.50493732, 1.84675716, 2.01546886, 2.06805579
_KEEP = np.array([[KEEP_RISE], [KEEP_RECOVERY], [KEEP_DRIVER]])  # of FAST, SLOW, DRIVER: they stand together in c
_GAIN = np.array([[GAIN_LEVEL], [GAIN_RISE], [GAIN_RECOVERY], [GAIN_DRIVER]])  # and LEVEL before them

# Height of the driver's peak times this is the amplitude of a response of 1.0/3.75 s (0.7/2.0: 28 % too high,
# 1.5/8: 34 % too low).
AMPLITUDE_S = 1.2
NOISE_HEIGHTS = 8.0  # and a peak must be so many mean absolute errors of the filter high, whatever the minimum
FOUND_STEPS = 4  # what has stayed lower than that for 0.5 s is drift: the peak's foot moves on
FOUND_RATIO = 2.5  # of what there was one step before
FALL_SHARE = 0.4  # of a peak's height that the driver falls before it is decided
DECISION_STEPS = 7  # 0.9 s: a response is still rising then (it rises for 0.5-5 s), a step has long been flat
LONGEST_STEPS = 40  # 5 s: what still rises then is drift
LEAST_RISE = 0.8  # of the height that counts, seen in the samples themselves
STEP_SHARE = 0.82  # of the rise within 3 samples: Bateman 0.7/2.0 s has 0.63 of its first second there
# A slow sensor smears a step over 5 samples: less than 4 % growth after that, in what is tall enough to tell.
FLAT_STEP_SHARE, FLAT_GROWTH, FLAT_NOISES, MIDWAY_STEPS = 0.65, 0.04, 60.0, 5
BACK_SHARE = 0.4  # of the rise lost again by the decision: a bump, no response (half recovery takes 2-10 s)

LOWEST_US, HIGHEST_US = 0.05, 60.0  # below: open circuit; above: wet or shorted. Levels are 2-20 uS
JUMP_UP_US = 0.5  # in one step: a response of 1.5 uS has 0.4
JUMP_DOWN_US, JUMP_DOWN_SHARE = 0.03, 0.2  # in two steps: recovery loses 0.125 of the response's height
JUMP_LEVEL_SHARE = 0.002  # noise of a high level

BRIDGED_STEPS = 4  # a longer gap begins anew (0 false responses in 100 artefacts, measured)
STEP_QUIET_STEPS = 32  # 4 s after an electrode step nothing is counted
GAP_QUIET_STEPS = 16  # 2 s after a gap
SETTLE_STEPS = 28  # while more than this is left of the quiet time the filter is set to the sample: 0.5 s
QUALITY_UP = 0.0408  # 1 - exp(-dt / 3 s): trust comes slowly
QUALITY_DOWN = 0.2212  # 1 - exp(-dt / 0.5 s): and goes at once
NOISE_GAIN = 0.0124  # 1 - exp(-dt / 10 s)
NOISE_START_US, NOISE_FLOOR_US = 0.004, 0.0008

# From the true onset to the sample at which the driver has risen by half of the least height: 0.15 s, plus half a
# grid period that averaging over it delays (resample "mean").
ONSET_LAG_STEPS = 1.2 + 0.5


def step(c: Floats, x: Floats, valid: Bools, index: Ints, height: float) -> tuple[Rows, Floats, Floats]:
    """One sample a listener: gate, filter, peak. Returns (listeners, onsets, amplitudes) of the responses decided."""
    good = (x > LOWEST_US) & (x < HIGHEST_US)
    good &= valid
    anew = _gate(c, x, good)
    at = anew.nonzero()[0]
    _filter(c, x, good & ~anew if len(at) else good)
    if len(at):
        c[LEVEL, at] = x[at]
        c[FAST : DRIVER + 1, at] = 0.0
        c[X1 : X3 + 1, at] = x[at]
    w3 = x - c[X3]
    seen = np.where(good, x, c[X1])
    decided = _peaks(c, seen, w3, index, height)
    c[X3] = c[X2]
    c[X2] = c[X1]
    c[X1] = seen
    return decided


def _gate(c: Floats, x: Floats, good: Bools) -> Bools:
    """Where the filter is set to the sample: after a gap, and while an electrode steps."""
    missing, quiet, trust = c[MISSING], c[QUIET], c[TRUST]
    gap = missing > BRIDGED_STEPS
    gap &= good
    fall = JUMP_LEVEL_SHARE * x
    fall += JUMP_DOWN_SHARE * (c[SLOW] - c[FAST])
    fall += JUMP_DOWN_US
    jump = c[X2] - x > fall
    jump |= x - c[X1] > JUMP_UP_US
    jump &= good > gap
    missing += 1.0
    missing[good] = 0.0
    quiet -= 1.0
    np.maximum(quiet, 0.0, out=quiet)
    if np.count_nonzero(gap):
        np.copyto(quiet, np.maximum(quiet, GAP_QUIET_STEPS), where=gap)
    np.copyto(quiet, STEP_QUIET_STEPS, where=jump)
    calm = quiet == 0.0
    calm &= good
    trust += np.where(calm, QUALITY_UP, QUALITY_DOWN) * (calm - trust)
    anew: Bools = quiet > SETTLE_STEPS  # as after a jump
    anew &= good
    anew |= gap
    return anew


def _filter(c: Floats, x: Floats, used: Bools) -> None:
    """Predict one step, then correct with the sample where it is used; the driver never goes below zero."""
    u, noise = c[DRIVER], c[NOISE]
    fed = DT_S * u
    c[FAST : DRIVER + 1] *= _KEEP
    c[FAST : SLOW + 1] += fed
    error = x - (c[LEVEL] + c[SLOW] - c[FAST])
    error *= used
    c[LEVEL : DRIVER + 1] += _GAIN * error
    np.maximum(u, 0.0, out=u)
    size = np.minimum(np.abs(error), 3.0 * noise)
    size -= noise
    size *= NOISE_GAIN * used
    noise += size
    np.maximum(noise, NOISE_FLOOR_US, out=noise)


def _peaks(c: Floats, x: Floats, w3: Floats, index: Ints, height: float) -> tuple[Rows, Floats, Floats]:
    """Follow the driver's peaks by prominence; only listeners with a peak under way cost anything."""
    u, lowest = c[DRIVER], c[LOW]
    free = c[QUIET] == 0.0
    up = c[RISING] > 0.0
    up &= free
    np.copyto(lowest, u, where=~free)
    np.copyto(lowest, np.minimum(lowest, u), where=~up)
    needed = np.maximum(height, NOISE_HEIGHTS * c[NOISE])
    above = u - lowest
    start = above > 0.5 * needed
    start &= free > up
    # What has stayed lower than a response for 0.5 s is drift or noise, and so is what came before a sudden rise:
    # whatever comes of it begins now.
    tall = c[HIGH] - lowest
    low = tall < needed
    low &= up
    slow = index - c[ONSET] > FOUND_STEPS
    slow &= low
    low &= above > FOUND_RATIO * tall
    foot = (start | slow | low).nonzero()[0]
    if len(foot):
        _found(c, foot, start[foot], slow[foot], x[foot], index[foot], needed[foot])
        up |= start
    c[RISING] = up
    at = up.nonzero()[0]
    if not len(at):
        return at, np.empty(0), np.empty(0)
    return _decide(c, at, x[at], w3[at], index[at], needed[at])


def _found(c: Floats, at: Rows, start: Bools, slow: Bools, x: Floats, index: Ints, needed: Floats) -> None:
    """A peak may begin here: its foot, and what the responses before it are about to lose a step."""
    p = c.take(at, axis=1)
    u = p[DRIVER]
    # Moving the foot by itself leaves the peak's height alone, except where drift has carried the driver away.
    np.copyto(p[LOW], np.maximum(p[LOW], u - 0.5 * needed), where=slow)
    np.copyto(p[HIGH], u, where=start | slow)
    p[BASE] = np.minimum(p[X3], x)
    p[TOP] = x
    p[STEEP] = 0.0
    p[DECAY] = (1.0 - KEEP_RECOVERY) * p[SLOW] - (1.0 - KEEP_RISE) * p[FAST]
    p[ONSET] = index
    c[LOW : ONSET + 1, at] = p[LOW : ONSET + 1]


def _decide(c: Floats, at: Ints, x: Floats, w3: Floats, index: Ints, needed: Floats) -> tuple[Rows, Floats, Floats]:
    """Judge the peaks under way of listeners ``at``: response, electrode step, drift, or not yet."""
    p = c.take(at, axis=1)
    u, lo, hi, top, steep, midway = p[DRIVER], p[LOW], p[HIGH], p[TOP], p[STEEP], p[MIDWAY]
    age = index - p[ONSET]
    decay = np.maximum(p[DECAY], 0.0)  # what the responses before would have lost a step: given back
    now = x + age * decay
    np.maximum(hi, u, out=hi)
    np.maximum(top, now, out=top)
    np.maximum(steep, w3 + 3.0 * decay, out=steep)
    np.copyto(midway, now, where=age <= MIDWAY_STEPS)
    c[HIGH : MIDWAY + 1, at] = p[HIGH : MIDWAY + 1]
    drift = age > LONGEST_STEPS
    done = ((hi - u > FALL_SHARE * (hi - lo)) & (age >= DECISION_STEPS)) | drift
    if not np.count_nonzero(done):
        return at[:0], lo[:0], lo[:0]
    rise = top - p[BASE]
    step = steep > STEP_SHARE * rise
    step |= (steep > FLAT_STEP_SHARE * rise) & (now - midway < FLAT_GROWTH * rise) & (rise > FLAT_NOISES * p[NOISE])
    step |= now < top - BACK_SHARE * rise
    tall = (hi - lo >= needed) & (rise >= LEAST_RISE * needed)
    ended = at[done]
    c[RISING, ended] = 0.0
    c[LOW, ended] = u[done]
    stepped = at[done & step & tall]
    c[QUIET, stepped] = STEP_QUIET_STEPS
    response = done & tall & ~step & ~drift
    return at[response], p[ONSET, response] - ONSET_LAG_STEPS, AMPLITUDE_S * (hi - lo)[response]

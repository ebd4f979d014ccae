"""Each listener's lagged correlation with a performer, live, by running sums: no significance. Pure numpy.

Also with the house's response removed: what is left is what this listener shares with the performer beyond what
everybody shares with the performer. The words are "alike" and "linked", never "caused by".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Columns, Floats, Floats32, Rows, column

HZ = 4
LAGS = 33  # 0 .. 8 s after the performer, as aggregator.linkage
MEMORY_S = 120.0  # of the running sums: two minutes of music
HIGH_PASS_S = 30.0  # of the running mean that is taken off: drift is nobody's following
LEAST_SAMPLES = 240  # a minute of valid samples; below, the correlation is 0
_GAIN = 1.0 - math.exp(-1.0 / (HZ * MEMORY_S))
_FOLLOW = 1.0 - math.exp(-1.0 / (HZ * HIGH_PASS_S))
_TINY = np.float32(1e-12)


@dataclass(slots=True)
class ListenerLinkage(Columns):
    """Running sums of one performer's linkage with each listener: x the listener, y the performer, h the house."""

    seen: NDArray[np.int32] = column(doc="valid samples so far", dtype=np.int32)
    mean: Floats32 = column(doc="running mean of x", dtype=np.float32)
    xx: Floats32 = column(doc="of x squared", dtype=np.float32)
    yy: Floats32 = column(doc="of y squared, mean over the lags", dtype=np.float32)
    hh: Floats32 = column(doc="of h squared", dtype=np.float32)
    xh: Floats32 = column(doc="of x h", dtype=np.float32)
    xy: Floats32 = column(doc="of x y by lag", tail=(LAGS,), dtype=np.float32)
    hy: Floats32 = column(doc="of h y by lag", tail=(LAGS,), dtype=np.float32)


@dataclass(slots=True)
class LaggedSeries:
    """A performer's (or the house's) series less its running mean: ``values`` float32 (33,), newest first."""

    values: Floats32
    mean: float = math.nan

    @classmethod
    def empty(cls) -> LaggedSeries:
        return cls(np.zeros(LAGS, np.float32))

    def push(self, value: float) -> None:
        """Add the sample of this 250 ms; NaN repeats the mean (0 after the high-pass)."""
        if math.isfinite(value):
            self.mean = value if math.isnan(self.mean) else self.mean + _FOLLOW * (value - self.mean)
        self.values[1:] = self.values[:-1].copy()
        self.values[0] = value - self.mean if math.isfinite(value) else 0.0


def update(state: ListenerLinkage, rows: Rows | slice, x: Floats, valid: Bools, y: Floats32, h: Floats | float) -> None:
    """One sample (250 ms) of the rows: x arousal (m,), valid (m,), y = LaggedSeries.values of the performer, h the
    house's value less its running mean (a number or, leave-one-out, (m,)).

    With a running gain g = max(1 / seen, 1 - exp(-1 / (4 Hz * 120 s)))::

        sum += g * (product - sum),   products x x, y y, h h, x h, x y[lag], h y[lag] of high-passed values

    Not valid leaves a listener untouched. All float32, elementwise: no listener depends on another.
    """
    seen = state.seen[rows] + valid
    gain = np.where(valid, np.maximum(1.0 / np.maximum(seen, 1), _GAIN), 0.0).astype(np.float32)
    follow = np.where(valid, np.maximum(1.0 / np.maximum(seen, 1), _FOLLOW), 0.0).astype(np.float32)
    own = np.where(valid, x, 0.0).astype(np.float32)
    mean = state.mean[rows]
    mean += follow * (own - mean)
    own = np.where(valid, own - mean, np.float32(0.0))
    house = np.broadcast_to(np.asarray(h, np.float32), own.shape)
    square = np.float32(np.mean(y * y))
    products = (("xx", own * own), ("yy", square), ("hh", house * house), ("xh", own * house))
    for name, product in products:
        sums = getattr(state, name)
        sums[rows] += gain * (product - sums[rows])
    for sums, value in ((state.xy, own), (state.hy, house)):
        change = value[:, None] * y
        change -= sums[rows]
        change *= gain[:, None]
        sums[rows] += change
    state.mean[rows], state.seen[rows] = mean, seen


def correlation(
    state: ListenerLinkage, rows: Rows | slice, *, house_removed: bool = False
) -> tuple[Floats32, Floats32]:
    """(largest correlation over lags 0..8 s, its lag in s), each (m,); 0 before a minute of valid samples.

    ``house_removed``: partial correlation ``(r_xy - r_xh r_hy) / sqrt((1 - r_xh^2) (1 - r_hy^2))``, h the house. With
    h the whole house a listener is one of its own controls: 1/N of the response is removed too much; pass the
    leave-one-out mean (:func:`leave_one_out`) where N is small. A largest-of-33 is never below 0 by much: no
    significance, no ranking by it (see aggregator.after_show).
    """
    power = np.sqrt(np.maximum(state.xx[rows] * state.yy[rows], _TINY))[:, None]
    r = state.xy[rows] / power
    if house_removed:
        xh = state.xh[rows] / np.sqrt(np.maximum(state.xx[rows] * state.hh[rows], _TINY))
        hy = state.hy[rows] / np.sqrt(np.maximum(state.hh[rows] * state.yy[rows], _TINY))[:, None]
        rest = np.sqrt(np.maximum((1.0 - xh * xh)[:, None] * (1.0 - hy * hy), np.float32(1e-6)))
        r = (r - xh[:, None] * hy) / rest
    r = np.where((state.seen[rows] >= LEAST_SAMPLES)[:, None], np.clip(r, -1.0, 1.0), np.float32(0.0))
    lag = np.argmax(r, axis=1)
    best = np.take_along_axis(r, lag[:, None], axis=1)[:, 0]
    return best, (lag / np.float32(HZ)).astype(np.float32)


def leave_one_out(house: float, total_weight: float, own: Floats, weight: Floats) -> Floats:
    """The house's mean without each listener: (W H - w x) / (W - w), (m,); H where nobody else counts."""
    rest = total_weight - weight
    made: Floats = np.where(rest > 0, (total_weight * house - weight * own) / np.where(rest > 0, rest, 1.0), house)
    return made

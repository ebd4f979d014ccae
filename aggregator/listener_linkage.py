"""Each listener's lagged correlation with a performer, live, by running sums: no significance. Pure numpy.

Also with the house's response removed: what is left is what this listener shares with the performer beyond what
everybody shares with the performer. The words are "alike" and "linked", never "caused by".

A shard learns of the performers by an entry every 10 s (aggregator.performer_series), so each listener's own arousal
waits in a ring until the performer's of the same time has come.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Columns, Floats, Floats32, Rows, column

HZ = 4
SAMPLE_MS = 1000 // HZ
LAGS = 33  # 0 .. 8 s after the performer, as aggregator.linkage
BLOCK = 40  # samples, 10 s: one entry's worth
RING = 128  # samples, 32 s: a block, the spread of the shards' entries over ten seconds, and a bus that is slow by 12 s
MAX_LINKED = 4  # performers that every listener is compared with: a quartet; each costs 296 bytes a listener
MEMORY_S = 120.0  # of the running sums: two minutes of music
HIGH_PASS_S = 30.0  # of the running mean that is taken off: drift is nobody's following
LEAST_SAMPLES = 240  # a minute of valid samples; below, the correlation is 0
LEAST_LEFT = 0.05  # share of variance that the house does not explain: less is rounding, not response
FOLLOW = 1.0 - math.exp(-1.0 / (HZ * HIGH_PASS_S))
_TINY = np.float32(1e-12)


@dataclass(slots=True)
class ArousalRing(Columns):
    """The last 32 s of each listener's arousal less its running mean; sample n (house ms // 250) lies at n % 128."""

    seen: NDArray[np.int32] = column(doc="valid samples so far", dtype=np.int32)
    mean: Floats32 = column(doc="running mean of arousal", dtype=np.float32)
    ring: Floats32 = column(doc="arousal less the mean, NaN gaps", tail=(RING,), dtype=np.float32, fill=np.nan)


@dataclass(slots=True)
class ListenerLinkage(Columns):
    """Running sums of each listener's linkage with each performer: x the listener, y the performer, h the others."""

    seen: NDArray[np.int32] = column(doc="valid samples so far", tail=(MAX_LINKED,), dtype=np.int32)
    xx: Floats32 = column(doc="of x squared", tail=(MAX_LINKED,), dtype=np.float32)
    yy: Floats32 = column(doc="of y squared, mean over the lags", tail=(MAX_LINKED,), dtype=np.float32)
    hh: Floats32 = column(doc="of h squared", tail=(MAX_LINKED,), dtype=np.float32)
    xh: Floats32 = column(doc="of x h", tail=(MAX_LINKED,), dtype=np.float32)
    xy: Floats32 = column(doc="of x y by lag", tail=(MAX_LINKED, LAGS), dtype=np.float32)
    hy: Floats32 = column(doc="of h y by lag", tail=(MAX_LINKED, LAGS), dtype=np.float32)
    value: Floats32 = column(doc="largest correlation, 0 unknown", tail=(MAX_LINKED,), dtype=np.float32)
    lag_s: Floats32 = column(doc="its lag after the performer, s", tail=(MAX_LINKED,), dtype=np.float32)
    beyond: Floats32 = column(doc="the same without the house's response", tail=(MAX_LINKED,), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Block:
    """Ten seconds of a performer and the house, both less their running mean: samples ``begin_n`` to
    ``begin_n + BLOCK``. ``y`` float32 (BLOCK, LAGS): [t, lag] is the performer ``lag`` samples before sample t; ``h``
    float32 (BLOCK,) the house, of ``counted`` listeners."""

    begin_n: int
    y: Floats32
    h: Floats32
    counted: int

    @classmethod
    def of(cls, first_n: int, performer: Floats, house: Floats, counted: int) -> Block:
        """From series of BLOCK + LAGS - 1 and BLOCK samples; the performer's first sample is ``first_n``."""
        at = LAGS - 1 + np.arange(BLOCK)[:, None] - np.arange(LAGS)
        return cls(first_n + LAGS - 1, performer.astype(np.float32)[at], house.astype(np.float32), counted)


def push(state: ArousalRing, rows: Rows | slice, n: int, x: Floats, valid: Bools) -> None:
    """Write sample n of the rows: x arousal (m,), valid (m,). Not valid is a gap and leaves the mean untouched::

    mean += max(1 / seen, 1 - exp(-1 / (4 Hz * 30 s))) * (x - mean)
    """
    seen = state.seen[rows] + valid
    follow = np.maximum(1.0 / np.maximum(seen, 1), FOLLOW).astype(np.float32)
    mean = state.mean[rows]
    own = x.astype(np.float32)
    mean = np.where(valid, mean + follow * (own - mean), mean)
    state.ring[rows, n % RING] = np.where(valid, own - mean, np.float32(np.nan))
    state.mean[rows], state.seen[rows] = mean, seen


def skip(state: ArousalRing, before_n: int, n: int) -> None:
    """Samples between ``before_n`` and n were never taken (fewer ticks than samples): gaps."""
    for missed in range(max(before_n + 1, n - RING), n):
        state.ring[:, missed % RING] = np.nan


def taken(state: ArousalRing, rows: Rows, begin_n: int, newest_n: int) -> Floats32:
    """A block's samples out of the ring, (m, BLOCK) float32; NaN where they are not, or no longer, in it."""
    n = np.arange(begin_n, begin_n + BLOCK)
    made: Floats32 = state.ring[rows[:, None], n % RING]
    made[:, (n > newest_n) | (n <= newest_n - RING)] = np.nan
    return made


def advance(state: ListenerLinkage, rows: Rows, place: int, x: Floats32, block: Block) -> None:
    """Ten seconds of the rows against the performer in ``place``: x (m, BLOCK) as :func:`taken`, gaps NaN.

    h of listener i, leave-one-out: ``(N h - x) / (N - 1)``, N listeners counted (h itself below 2). With v valid
    samples of the block and a running gain ``g = max(v / seen, 1 - exp(-v / (4 Hz * 120 s)))``::

        sum += g * (mean of the products over the valid samples - sum),  x x, y y, h h, x h, x y[lag], h y[lag]

    No valid sample leaves a listener untouched. All float32 and elementwise over listeners, samples in order: no
    listener depends on another.
    """
    valid = np.isfinite(x)
    v = np.add.reduce(valid, axis=1, dtype=np.int32)
    own, others = _series(x, valid, block)
    square = np.add.reduce(block.y * block.y, axis=1) / np.float32(LAGS)
    totals = {
        "xx": np.add.reduce(own * own, axis=1),
        "yy": np.add.reduce(square * valid, axis=1),
        "hh": np.add.reduce(others * others, axis=1),
        "xh": np.add.reduce(own * others, axis=1),
        **_lagged(own, others, block.y),
    }
    seen = state.seen[rows, place] + v
    count = np.maximum(v, 1).astype(np.float32)
    gain = np.maximum(v / np.maximum(seen, 1), -np.expm1(-v / (HZ * MEMORY_S))).astype(np.float32)
    gain[v == 0] = 0.0
    for name, total in totals.items():
        by = (slice(None),) + (None,) * (total.ndim - 1)
        sums = getattr(state, name)
        before = sums[rows, place]
        sums[rows, place] = before + gain[by] * (total / count[by] - before)
    state.seen[rows, place] = seen
    state.value[rows, place], state.lag_s[rows, place] = correlation(state, rows, place)
    state.beyond[rows, place] = correlation(state, rows, place, house_removed=True)[0]


def _series(x: Floats32, valid: Bools, block: Block) -> tuple[Floats32, Floats32]:
    """x and h of each listener, (m, BLOCK), 0 where not valid."""
    own = np.where(valid, x, np.float32(0.0))
    n = np.float32(block.counted)
    if block.counted < 2:
        return own, block.h * valid
    others = n * block.h - own
    others /= n - np.float32(1.0)
    others *= valid
    return own, others


def _lagged(own: Floats32, others: Floats32, y: Floats32) -> dict[str, Floats32]:
    """Sums of x y and h y over the samples, in their order, by lag: (m, LAGS) each."""
    both = np.concatenate([own, others]).T.copy()
    total = np.zeros((LAGS, both.shape[1]), np.float32)  # lags first: long runs over listeners
    product = np.empty_like(total)
    for values, lagged in zip(both, y, strict=True):
        np.multiply(values, lagged[:, None], out=product)
        total += product
    whole = total.T.copy()
    return {"xy": whole[: len(own)], "hy": whole[len(own) :]}


def correlation(
    state: ListenerLinkage, rows: Rows | slice, place: int, *, house_removed: bool = False
) -> tuple[Floats32, Floats32]:
    """(largest correlation over lags 0..8 s, its lag in s), each (m,); 0 before a minute of valid samples.

    ``house_removed``: partial correlation ``(r_xy - r_xh r_hy) / sqrt((1 - r_xh^2) (1 - r_hy^2))``, h the mean of the
    others; 0 at lags where the others leave under 5 % of either's variance. The largest of 33 is never below 0 by
    much, and of strangers one in twenty reaches 0.4: no significance, no ranking by it (see aggregator.after_show).
    """
    xx, yy, hh = state.xx[rows, place], state.yy[rows, place], state.hh[rows, place]
    r = state.xy[rows, place] / np.sqrt(np.maximum(xx * yy, _TINY))[:, None]
    if house_removed:
        xh = state.xh[rows, place] / np.sqrt(np.maximum(xx * hh, _TINY))
        hy = state.hy[rows, place] / np.sqrt(np.maximum(hh * yy, _TINY))[:, None]
        of_x, of_y = (1.0 - xh * xh)[:, None], 1.0 - hy * hy
        r = (r - xh[:, None] * hy) / np.sqrt(np.maximum(of_x * of_y, _TINY))
        r[np.minimum(of_x, of_y) < LEAST_LEFT] = 0.0
    known = state.seen[rows, place] >= LEAST_SAMPLES
    r = np.where(known[:, None], np.clip(r, -1.0, 1.0), np.float32(0.0))
    lag = np.argmax(r, axis=1)
    best = np.take_along_axis(r, lag[:, None], axis=1)[:, 0]
    return best, (lag / np.float32(HZ)).astype(np.float32)


def forget(state: ListenerLinkage, rows: Rows, place: int) -> None:
    """Another performer takes the place."""
    for array in state.arrays().values():
        array[rows, place] = 0


def high_passed(series: Floats, keep: int) -> Floats:
    """The last ``keep`` samples less the running mean over 30 s, as the listeners' (``push``); (n,) NaN for gaps,
    which come back as 0: a gap says nothing. Starts anew at the first sample, so give two minutes before."""
    made, mean = np.zeros(len(series)), 0.0
    for seen, i in enumerate(np.flatnonzero(np.isfinite(series)).tolist(), start=1):
        mean += max(1.0 / seen, FOLLOW) * (float(series[i]) - mean)
        made[i] = series[i] - mean
    return made[len(made) - keep :]

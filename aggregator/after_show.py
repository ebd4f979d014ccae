"""After the show: who moved like a performer, with significance and ranking. Pure numpy, whole evenings at once.

Significance is by circular shifts: shifting the performer in time keeps each series as it is, autocorrelation and all,
and destroys only the alignment. Ranks are reported with the false discovery rate held at 5 %. "Alike", never "caused
by": house and performer hear the same music.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Ints
from aggregator.synchrony import others_mean

HZ = 4
LAGS = 33  # 0 .. 8 s after the performer
GUARD = 30 * HZ  # samples: shifts nearer than this to 0 still hold the true alignment of slow signals
LEAST = 600 * HZ  # samples, 600 s: MEASUREMENTS; shorter evenings are refused
LEAST_VALID = 0.5  # of a listener's samples
HIGH_PASS = 60 * HZ  # samples of the moving average that is taken off: an evening's drift is nobody's following
GUMBEL = (np.pi / np.sqrt(6.0), 0.5772)  # standardised largest value: P(> z) = 1 - exp(-exp(-(1.2825 z + 0.5772)))
FALSE_DISCOVERY_RATE = 0.05


@dataclass(frozen=True, slots=True)
class ListenerLinkages:
    """Arrays (listeners,): ``value`` the largest correlation at lags 0..8 s, ``lag_s``, ``p`` (NaN: too little data),
    ``linked`` at the false discovery rate, ``rank`` 1.. among the linked by value, 0 for the others."""

    value: Floats
    lag_s: Floats
    p: Floats
    linked: Bools
    rank: Ints


def listener_linkages(
    listeners: Floats, performer: Floats, *, house_removed: bool = False, rate: float = FALSE_DISCOVERY_RATE
) -> ListenerLinkages:
    """Lagged correlation of each listener with the performer, tested against all circular shifts of the performer.

    For each listener, c(s) is the correlation over their valid samples with the performer shifted by s samples; the
    statistic is ``max c(s), s = 0..32``, its chance level ``max c(t..t+32)`` over all shifts t at least 30 s from 0::

        p = max(share of shifts that reach it,  1 - exp(-exp(-(1.2825 z + 0.5772))))

    with z the statistic's place among them in their mean and deviation. Ranking after Benjamini and Hochberg at
    ``rate``.

    Args:
        listeners: (listeners, samples) at 4 Hz on house time, e.g. arousal; NaN for gaps. performer: (samples,), NaN
            for gaps (set to the mean). house_removed: first take from each listener what the mean of all *others*
            predicts (least squares, at the lag 0).
    Raises:
        ValueError: fewer than 600 s of samples, or lengths that differ.

    A listener with less than half their samples valid gets p = NaN and is never linked. p-values of one evening share
    the performer, so they are dependent (positively, for which the procedure holds: Benjamini & Yekutieli 2001, M).
    Neighbouring shifts are nearly one: an hour of slow series holds some hundred independent shifts, so the share alone
    comes down to 1/n ten times too often (measured); the tail of a Gumbel distribution, which falls more slowly than
    that of correlations, makes small p honest and the test a little conservative (3-4 % at 0.05).
    Source: circular shifts, REFERENCES (D); Benjamini & Hochberg 1995 (M).
    """
    n = listeners.shape[1]
    if n < LEAST or performer.shape != (n,):
        raise ValueError(f"listener_linkages: found {listeners.shape} and {performer.shape}, at least {LEAST} samples")
    y = _without_drift(performer[None])[0]
    y = np.where(np.isfinite(y), y, 0.0)
    valid = np.isfinite(listeners)
    enough = valid.mean(axis=1) >= LEAST_VALID
    x = _without_drift(listeners)
    if house_removed:
        x = remove_house(x)
    value, lag, p = (np.full(len(x), np.nan) for _ in range(3))
    for i in np.flatnonzero(enough):
        value[i], lag[i], p[i] = shift_test(x[i], y)
    linked = benjamini_hochberg(p, rate) & (value > 0)
    order = np.argsort(np.where(linked, -value, np.inf), kind="stable")
    rank = np.zeros(len(x), np.int64)
    rank[order[: int(linked.sum())]] = np.arange(1, int(linked.sum()) + 1)
    return ListenerLinkages(value, lag / HZ, p, linked, rank)


def shift_test(x: Floats, y: Floats) -> tuple[float, float, float]:
    """(statistic, its lag in samples, p) of one listener x (n,), NaN for gaps, and a complete series y (n,)."""
    lagged = circular_correlation(x, y)
    best = np.lib.stride_tricks.sliding_window_view(np.concatenate([lagged, lagged[: LAGS - 1]]), LAGS).max(axis=1)
    chance = best[GUARD : len(best) - GUARD]
    share = (1 + int(np.sum(chance >= best[0]))) / (1 + len(chance))
    z = (float(best[0]) - float(chance.mean())) / max(float(chance.std()), 1e-9)
    tail = -math.expm1(-math.exp(-min(max(GUMBEL[0] * z + GUMBEL[1], -5.0), 700.0)))
    return float(best[0]), float(np.argmax(lagged[:LAGS])), max(share, tail)


def circular_correlation(x: Floats, y: Floats) -> Floats:
    """c(s), s = 0..n-1: correlation of x(t) with y(t - s) over the valid samples of x, indices modulo n.

    By three transforms of n log n (sums of x y, y and y^2 over the mask); y's mean and deviation are those over the
    same samples. 0 where either does not vary.
    """
    valid = np.isfinite(x)
    m = int(valid.sum())
    mean = float(x[valid].mean()) if m else 0.0
    centred = np.where(valid, x - mean, 0.0)
    spectrum = np.conj(np.fft.rfft(y)), np.conj(np.fft.rfft(y * y))
    mask = np.fft.rfft(valid.astype(np.float64))
    n = len(x)
    xy = np.fft.irfft(np.fft.rfft(centred) * spectrum[0], n)
    sy, syy = np.fft.irfft(mask * spectrum[0], n), np.fft.irfft(mask * spectrum[1], n)
    power = float(np.sum(centred * centred)) * np.maximum(syy - sy * sy / max(m, 1), 0.0)
    made: Floats = np.where(power > 1e-12, xy / np.sqrt(np.where(power > 1e-12, power, 1.0)), 0.0)
    return made


def remove_house(x: Floats) -> Floats:
    """Each listener less what the mean of all others predicts; (listeners, samples), NaN for gaps (kept)."""
    others = others_mean(x)
    both = np.isfinite(x) & np.isfinite(others)
    h = np.where(both, others, 0.0)
    count = np.maximum(both.sum(axis=1, keepdims=True), 1)
    h = np.where(both, h - h.sum(axis=1, keepdims=True) / count, 0.0)
    own = np.where(both, x, 0.0)
    power = np.sum(h * h, axis=1, keepdims=True)
    slope = np.sum(own * h, axis=1, keepdims=True) / np.where(power > 0, power, 1.0)
    return np.where(both, x - slope * h, np.nan)


def benjamini_hochberg(p: Floats, rate: float = FALSE_DISCOVERY_RATE) -> Bools:
    """Which of the tests are discoveries at this false discovery rate; p (m,), NaN is no test.

    The largest i with p_(i) <= rate * i / m, and all up to it. Source: Benjamini & Hochberg 1995 (M).
    """
    tested = np.isfinite(p)
    m = int(tested.sum())
    if m == 0:
        return np.zeros(len(p), np.bool_)
    ordered = np.sort(p[tested])
    passed = np.flatnonzero(ordered <= rate * np.arange(1, m + 1) / m)
    limit = ordered[passed[-1]] if len(passed) else -1.0
    return tested & (np.where(tested, p, 2.0) <= limit)


def house_linkage(house: Floats, performer: Floats) -> tuple[float, float, float]:
    """(value, lag in s, p) of the whole evening's house with one performer, by the same test: one p an evening, where
    the live tracker looks every 10 s. Series (samples,) at 4 Hz, NaN for gaps. Raises as listener_linkages."""
    made = listener_linkages(house[None], performer)
    return float(made.value[0]), float(made.lag_s[0]), float(made.p[0])


def _without_drift(x: Floats) -> Floats:
    """Less the moving average over 60 s of what is valid; (rows, samples), NaN kept. A performer's gaps end as NaN
    and are then 0, the average."""
    valid = np.isfinite(x)
    i = np.arange(x.shape[1])
    low, high = np.maximum(i - HIGH_PASS // 2, 0), np.minimum(i + HIGH_PASS // 2 + 1, x.shape[1])
    pad = ((0, 0), (1, 0))
    sums = np.cumsum(np.pad(np.where(valid, x, 0.0), pad), axis=1)
    counts = np.cumsum(np.pad(valid.astype(np.float64), pad), axis=1)
    mean = (sums[:, high] - sums[:, low]) / np.maximum(counts[:, high] - counts[:, low], 1.0)
    return np.where(valid, x - mean, np.nan)

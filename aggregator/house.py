"""The house's arousal from integers: histograms that merge exactly, and the estimate defined on them. Pure numpy.

Owners of shards exchange integers only (contract 9), so that 1, 3 and 10 owners publish equal bits. All arithmetic
here runs on ``s = tanh(z / 4) = 2 * arousal - 1`` in [-1, 1]; what is returned is arousal again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Floats, Ints
from aggregator.snapshot import BINS, SUM_UNIT, WEIGHT_UNIT

BIN = 2.0 / BINS  # width of a bin, in s
ODD = np.arange(1 - BINS, BINS, 2, dtype=np.int64)  # bins' centres in half-widths: exact in integers
MAD_TO_DEVIATION = 1.4826  # median absolute deviation of a normal distribution, D: 1 / 0.6745
SCALE_FLOOR = 0.02  # in s, contract 9: a house in unison must not call every other listener an outlier
HUBER_SCALES = 1.5  # contract 9; MEASUREMENTS: error 0.11-0.14 sd with 30 % bad sensors
ITERATIONS = 12  # bound for Newton on a piecewise linear, monotone function; 3-5 are used
PERCENTILES = (0.1, 0.5, 0.9)
LISTENER_SPREAD = 0.245  # in s: tanh(1/4), one deviation, what listeners differ by when nothing moves them (D)
SPREAD_LISTENERS = 3.0  # listeners' worth of trust in that spread, so that three who agree do not look certain
NORMAL_95 = 1.96  # two-sided 95 % of a normal distribution
SMALL_SAMPLE = 1.0  # widens the interval by 1 / n, about what Student's t does beyond the spread above (P)
WIDEST = 0.5  # half-width of the interval, in arousal, at which the estimate says nothing


@dataclass(frozen=True, slots=True)
class Estimates:
    """Estimates of several sections, arrays (sections,), in arousal [0, 1]; ``listeners`` is total confidence."""

    arousal: Floats
    p10: Floats
    p50: Floats
    p90: Floats
    low: Floats
    high: Floats
    listeners: Floats

    def published(self) -> Floats:
        """Shape (sections, 6): arousal, p10, p50, p90, low, high."""
        return np.stack([self.arousal, self.p10, self.p50, self.p90, self.low, self.high], axis=1)


def section_histograms(s: Floats, confidence: Floats, section: Ints, sections: int) -> tuple[Ints, Ints, Ints]:
    """Integer histograms of listeners by section, contract 9::

        weight = round(255 * confidence);  bin = floor((s + 1) / 2 * 1024), s = 1 in the last
        weights[section, bin] += weight;   sums[section] += weight * round(32767 * s)

    Args:
        s: (n,) in [-1, 1], 2 * arousal - 1, finite (clipped). confidence: (n,) in [0, 1], with the fade already in it,
            so that a listener who drops out leaves by degrees. section: int64 (n,) in [0, sections).
    Returns:
        weights int64 (sections, 1024), sums int64 (sections,), counted int64 (sections,): listeners with weight > 0.
    Raises:
        ValueError: a section outside [0, sections), or a value that is no number.

    Exact whatever the order: the sums stay below 2**53 up to a billion listeners. Does not know about states: who is
    counted is decided by the confidence given.
    """
    if len(section) and not 0 <= int(section.min()) <= int(section.max()) < sections:
        raise ValueError(f"section: found {section.min()}..{section.max()}, allowed 0..{sections - 1}")
    weight = np.rint(np.clip(confidence, 0.0, 1.0) * WEIGHT_UNIT)
    s = np.clip(s, -1.0, 1.0)
    if not (np.isfinite(weight).all() and np.isfinite(s).all()):
        raise ValueError("section_histograms: s and confidence must be finite")
    at = np.minimum((s + 1.0) * (BINS / 2), BINS - 1).astype(np.int64)
    weights = np.bincount(section * BINS + at, weights=weight, minlength=sections * BINS)
    sums = np.bincount(section, weights=weight * np.rint(s * SUM_UNIT), minlength=sections)
    counted = np.bincount(section, weights=weight > 0, minlength=sections)
    return weights.reshape(sections, BINS).astype(np.int64), sums.astype(np.int64), counted.astype(np.int64)


def estimate(weights: Ints, sums: Ints) -> Estimates:
    """Location, percentiles and 95 % interval of each histogram; this function *defines* the published estimate.

    With x the bins' centres, w their integer weights, W = sum(w), m the weighted median, c = 1.5 * max(1.4826 * MAD,
    0.02): the estimate mu solves ``sum(w * clip(x - mu, -c, c)) = 0`` (Huber), and is then moved by the share of
    unclipped weight times (exact mean - mean of centres), the exact mean being sums / (32767 * W). With n = W / 255,
    listeners at full confidence::

        variance = (sum(w psi^2) / 255 + 3 * 0.245^2) / (n + 3) / (n * unclipped share^2)
        interval = mu -+ 1.96 * (1 + 1 / n) * sqrt(variance)

    Args:
        weights: int64 (sections, 1024). sums: int64 (sections,).
    Returns:
        Estimates, (sections,). A section without weight is 0.5 with the interval [0, 1].

    Median and MAD are those of the bins' centres; percentiles are interpolated within the bin. Within 0.0005 of the
    same estimate from raw values in a house of 50 or more; a section of three may be off by 0.002. n is a lower bound
    of Kish's effective sample size, so the interval errs on the wide side; it takes listeners as independent, which
    neighbours are not. Does not smooth.
    Source: Huber 1964 (M) for the estimator; contract 9 for its constants; Kish 1965 (M) for the size.
    """
    weights, sums = np.atleast_2d(weights), np.atleast_1d(sums)
    cumulative = _Cumulative.of(weights)
    some = cumulative.total > 0
    total = np.where(some, cumulative.total, 1.0)
    p10, p50, p90 = (_percentile(weights, cumulative, q) for q in PERCENTILES)
    median, deviation = _median_and_deviation(cumulative)
    limit = HUBER_SCALES * np.maximum(MAD_TO_DEVIATION * deviation, SCALE_FLOOR)
    mu = _huber(cumulative, median, limit)
    residual = (sums / SUM_UNIT - cumulative.moment[cumulative.row + BINS]) / total
    inside, square = _spread(cumulative, mu, limit)
    share = np.where(some, np.maximum(inside / total, 0.05), 1.0)  # at least the median's bin is inside
    mu = mu + residual * np.minimum(share, 1.0)
    listeners = cumulative.total / WEIGHT_UNIT
    spread = (square / WEIGHT_UNIT + SPREAD_LISTENERS * LISTENER_SPREAD**2) / (listeners + SPREAD_LISTENERS)
    n = np.maximum(listeners, 1.0 / WEIGHT_UNIT)
    half = NORMAL_95 * (1.0 + SMALL_SAMPLE / n) * np.sqrt(spread / n) / share
    columns = (mu, p10, p50, p90, mu - half, mu + half)
    empty = (0.5, 0.5, 0.5, 0.5, 0.0, 1.0)
    made = [np.where(some, np.clip((1.0 + x) / 2, 0.0, 1.0), e) for x, e in zip(columns, empty, strict=True)]
    return Estimates(made[0], made[1], made[2], made[3], made[4], made[5], listeners)


def confidence(estimates: Estimates, present: Ints) -> Floats:
    """share * precision, (sections,) in [0, 1].

    share = total confidence / listeners present (a bad sensor counts against it); precision = 1 - half-width of the
    95 % interval / 0.5. Does not know about artefacts locked to the show: ``aggregator.blank_control`` lowers it
    further. Source: our own definition.
    """
    share = np.minimum(estimates.listeners / np.maximum(present, 1), 1.0)
    half = np.maximum(estimates.high - estimates.arousal, estimates.arousal - estimates.low)
    return share * np.maximum(0.0, 1.0 - half / WIDEST)


@dataclass(frozen=True, slots=True)
class _Cumulative:
    """Running sums over bins, with a leading 0, flat and in rows of BINS + 1: ``weight`` int64; ``moment`` of
    w * centre and ``square`` of w * centre^2, centres in s. ``row`` (sections,): where each section begins."""

    weight: Ints
    moment: Floats
    square: Floats
    row: Ints

    @classmethod
    def of(cls, weights: Ints) -> _Cumulative:
        made = np.zeros((3, len(weights), BINS + 1), np.int64)
        first = weights * ODD
        for i, terms in enumerate((weights, first, first * ODD)):
            np.cumsum(terms, axis=1, out=made[i, :, 1:])
        row = np.arange(len(weights)) * (BINS + 1)
        return cls(made[0].ravel(), made[1].ravel() / BINS, made[2].ravel() / BINS**2, row)

    @property
    def total(self) -> Ints:
        return self.weight[self.row + BINS]

    def rows(self) -> Ints:
        return self.weight.reshape(-1, BINS + 1)[:, 1:]


def _percentile(weights: Ints, cumulative: _Cumulative, q: float) -> Floats:
    """Where the cumulative weight reaches q, weight spread evenly in its bin; midway when a gap lies there."""
    wanted: Floats = np.multiply(cumulative.total, q, dtype=np.float64)
    made = []
    for at in _crossings(cumulative.rows(), wanted):
        inside = weights.ravel()[at + np.arange(len(at)) * BINS]
        part = (wanted - cumulative.weight[cumulative.row + at]) / np.maximum(inside, 1)
        made.append((at + np.clip(part, 0.0, 1.0)) * BIN - 1.0)
    middle: Floats = 0.5 * (made[0] + made[1])
    return middle


def _crossings(rising: Ints, wanted: Floats) -> tuple[Ints, Ints]:
    """First column of each row that is >= wanted, and first that is > wanted (the last, if none is)."""
    last, wanted = rising.shape[1] - 1, wanted[:, None]
    return np.minimum(np.sum(rising < wanted, axis=1), last), np.minimum(np.sum(rising <= wanted, axis=1), last)


def _median_and_deviation(cumulative: _Cumulative) -> tuple[Floats, Floats]:
    """Weighted median of the centres, and of their distances from it (the middle of lower and upper median each).

    In whole half-widths of a bin: M the median, t a distance, both integers, so no rounding enters.
    """
    half: Floats = np.multiply(cumulative.total, 0.5, dtype=np.float64)
    low, high = _crossings(cumulative.rows(), half)
    middle = low + high - (BINS - 1)  # mean of the two odd centres
    odd = (middle + 1) & 1
    reach = (middle + odd + BINS - 1) // 2  # bin just at or above the median; distances are 2 j + odd
    steps = np.arange(BINS + 1)
    above = np.minimum(reach[:, None] + steps + 1, BINS)
    below = np.maximum(reach[:, None] - odd[:, None] - steps, 0)
    row = cumulative.row[:, None]
    inside = cumulative.weight[row + above] - cumulative.weight[row + below]
    low, high = _crossings(inside, half)
    return middle / BINS, (low + high + odd) / BINS


def _inside(cumulative: _Cumulative, mu: Floats, limit: Floats) -> tuple[Ints, Ints]:
    """Flat positions of the first bin whose centre is >= mu - limit, and of the first > mu + limit."""
    low = np.ceil((mu - limit + 1.0) * (BINS / 2) - 0.5)
    high = np.floor((mu + limit + 1.0) * (BINS / 2) + 0.5)
    edges = np.minimum(np.maximum(np.stack([low, high]), 0.0), BINS).astype(np.int64) + cumulative.row
    return edges[0], edges[1]


def _huber(cumulative: _Cumulative, start: Floats, limit: Floats) -> Floats:
    """The root of sum(w psi), psi = clip(centre - mu, -limit, limit), by Newton steps kept within a shrinking bracket.

    Each step is O(1) a section by the running sums; at most ITERATIONS of them, ended when none moves any more.
    """
    w, m, total = cumulative.weight, cumulative.moment, cumulative.total
    mu, low, high = start, np.full_like(start, -1.0), np.full_like(start, 1.0)
    for _ in range(ITERATIONS):
        a, b = _inside(cumulative, mu, limit)
        below, upto = w[a], w[b]
        inside = upto - below
        psi = m[b] - m[a] - mu * inside + limit * (total - upto - below)
        low, high = np.where(psi > 0, mu, low), np.where(psi < 0, mu, high)
        step = mu + psi / np.maximum(inside, 1)
        kept = (inside > 0) & (step >= low) & (step <= high)
        moved = np.where(kept, step, 0.5 * (low + high))
        moved = np.where(np.abs(psi) <= 1e-9 * total, mu, moved)
        if np.array_equal(moved, mu):
            break
        mu = moved
    return mu


def _spread(cumulative: _Cumulative, mu: Floats, limit: Floats) -> tuple[Floats, Floats]:
    """Unclipped weight and sum(w psi^2)."""
    a, b = _inside(cumulative, mu, limit)
    w, m, q = cumulative.weight, cumulative.moment, cumulative.square
    inside, outside = w[b] - w[a], cumulative.total - (w[b] - w[a])
    square = q[b] - q[a] - 2 * mu * (m[b] - m[a]) + mu * mu * inside + limit * limit * outside
    return inside.astype(np.float64), np.maximum(square, 0.0)

"""The house's arousal from integers: histograms that merge exactly, and the estimate defined on them. Pure numpy.

Owners of shards exchange integers only (contract 9), so that 1, 3 and 10 owners publish equal bits. All arithmetic
here runs on ``s = tanh(z / 4) = 2 * arousal - 1`` in [-1, 1]; what is returned is arousal again.
"""

from __future__ import annotations

import math
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
ROOT_ENOUGH = 1e-9  # in s, per unit of weight
LEAST_SHARE = 0.05  # unclipped weight: at least the median's bin is inside
TENTHS = (1, 5, 9)  # percentiles published, in tenths
LISTENER_SPREAD = 0.245  # in s: tanh(1/4), one deviation, what listeners differ by when nothing moves them (D)
SPREAD_LISTENERS = 3.0  # listeners' worth of trust in that spread, so that three who agree do not look certain
NORMAL_95 = 1.96  # two-sided 95 % of a normal distribution
SMALL_SAMPLE = 1.0  # widens the interval by 1 / n, about what Student's t does beyond the spread above (P)
WIDEST = 0.5  # half-width of the interval, in arousal, at which the estimate says nothing


@dataclass(frozen=True, slots=True)
class Estimates:
    """Estimates of several sections. ``values`` (sections, 6): arousal, p10, p50, p90, low, high, all arousal in
    [0, 1]; ``listeners`` (sections,): total confidence."""

    values: Floats
    listeners: Floats

    @property
    def arousal(self) -> Floats:
        return self.values[:, 0]

    @property
    def low(self) -> Floats:
        return self.values[:, 4]

    @property
    def high(self) -> Floats:
        return self.values[:, 5]


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
    weight = np.rint(np.minimum(np.maximum(confidence, 0.0), 1.0) * WEIGHT_UNIT)
    s = np.minimum(np.maximum(s, -1.0), 1.0)
    sums = np.bincount(section, weights=weight * np.rint(s * SUM_UNIT), minlength=sections)
    if not np.isfinite(sums).all():
        raise ValueError("section_histograms: s and confidence must be finite")
    at = np.minimum((s + 1.0) * (BINS / 2), BINS - 1).astype(np.int64)
    weights = np.bincount(section * BINS + at, weights=weight, minlength=sections * BINS)
    counted = np.bincount(section[weight > 0], minlength=sections)
    return weights.astype(np.int64).reshape(sections, BINS), sums.astype(np.int64), counted.astype(np.int64, copy=False)


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
    made = np.tile([0.5, 0.5, 0.5, 0.5, 0.0, 1.0], (len(weights), 1))
    cumulative = _cumulative(weights)
    totals = cumulative[0][:, -1]
    for i in np.flatnonzero(totals):
        made[i] = _one(_Section(cumulative[0][i], cumulative[1][i], cumulative[2][i]), int(sums[i]))
    listeners: Floats = np.divide(totals, WEIGHT_UNIT, dtype=np.float64)
    return Estimates(made, listeners)


def confidence(estimates: Estimates, present: Ints) -> Floats:
    """share * precision, (sections,) in [0, 1].

    share = total confidence / listeners present (a bad sensor counts against it); precision = 1 - half-width of the
    95 % interval / 0.5. Does not know about artefacts locked to the show: ``aggregator.blank_control`` lowers it
    further. Source: our own definition.
    """
    share = np.minimum(estimates.listeners / np.maximum(present, 1), 1.0)
    half = np.maximum(estimates.high - estimates.arousal, estimates.arousal - estimates.low)
    return share * np.maximum(0.0, 1.0 - half / WIDEST)


def _cumulative(weights: Ints) -> tuple[Ints, Floats, Floats]:
    """Running sums over bins with a leading 0, (sections, BINS + 1): of w, and of w * centre and w * centre^2 in s,
    both from exact integers."""
    made = np.zeros((3, len(weights), BINS + 1), np.int64)
    first = weights * ODD
    for i, terms in enumerate((weights, first, first * ODD)):
        np.cumsum(terms, axis=1, out=made[i, :, 1:])
    return made[0], made[1] / BINS, made[2] / BINS**2


@dataclass(frozen=True, slots=True)
class _Section:
    """Running sums of one section: with them a sum over any stretch of bins is one subtraction."""

    weight: Ints
    moment: Floats
    square: Floats

    @property
    def total(self) -> int:
        return int(self.weight[-1])

    def within(self, mu: float, limit: float) -> tuple[int, int]:
        """The bins whose centres lie within mu -+ limit, as a slice."""
        low = math.ceil((mu - limit + 1.0) * (BINS / 2) - 0.5)
        high = math.floor((mu + limit + 1.0) * (BINS / 2) + 0.5)
        return min(max(low, 0), BINS), min(max(high, 0), BINS)


def _one(section: _Section, exact_sum: int) -> tuple[float, ...]:
    """Arousal, p10, p50, p90, low, high of one section that has some weight."""
    total = section.total
    median, deviation = _median_and_deviation(section)
    limit = HUBER_SCALES * max(MAD_TO_DEVIATION * deviation, SCALE_FLOOR)
    mu = _huber(section, median, limit)
    a, b = section.within(mu, limit)
    inside = int(section.weight[b] - section.weight[a])
    share = max(inside / total, LEAST_SHARE)
    moment, square = float(section.moment[b] - section.moment[a]), float(section.square[b] - section.square[a])
    psi2 = max(square - 2 * mu * moment + mu * mu * inside + limit * limit * (total - inside), 0.0)
    mu += (exact_sum / SUM_UNIT - float(section.moment[-1])) / total * share
    n = total / WEIGHT_UNIT
    spread = (psi2 / WEIGHT_UNIT + SPREAD_LISTENERS * LISTENER_SPREAD**2) / (n + SPREAD_LISTENERS)
    half = NORMAL_95 * (1.0 + SMALL_SAMPLE / n) * math.sqrt(spread / n) / share
    return tuple(min(max((1.0 + s) / 2, 0.0), 1.0) for s in (mu, *_percentiles(section), mu - half, mu + half))


def _percentiles(section: _Section) -> list[float]:
    """Where the cumulative weight reaches 10, 50 and 90 %, weight spread evenly in its bin; midway across a gap."""
    wanted, inner = [tenth * section.total for tenth in TENTHS], section.weight[1:]
    first = inner.searchsorted([-(-t // 10) for t in wanted])  # in whole weights, so that a gap is met exactly
    last = inner.searchsorted([t // 10 for t in wanted], "right")
    made = []
    for t, ends in zip(wanted, zip(first.tolist(), last.tolist(), strict=True), strict=True):
        place = 0.0
        for at in ends:
            at = min(at, BINS - 1)
            before, after = int(section.weight[at]), int(section.weight[at + 1])
            place += at + min(max((t / 10 - before) / max(after - before, 1), 0.0), 1.0)
        made.append(place / 2 * BIN - 1.0)
    return made


def _crossings(rising: Ints, half: float) -> tuple[int, int]:
    """First entry that is >= half, and first that is > half (the last, if none is)."""
    last = len(rising) - 1
    return min(int(rising.searchsorted(half)), last), min(int(rising.searchsorted(half, "right")), last)


def _median_and_deviation(section: _Section) -> tuple[float, float]:
    """Weighted median of the centres, and of their distances from it (the middle of lower and upper median each).

    In whole half-widths of a bin: the median and the distances are integers, so no rounding enters.
    """
    cumulative, half = section.weight, section.total / 2
    low, high = _crossings(cumulative[1:], half)
    middle = low + high - (BINS - 1)  # mean of the two odd centres
    odd = (middle + 1) & 1
    reach = (middle + odd + BINS - 1) // 2  # bin just at or above the median; distances are 2 j + odd
    padded = np.concatenate([np.zeros(BINS, np.int64), cumulative, np.full(BINS, cumulative[-1])])
    above = padded[BINS + reach + 1 : BINS + reach + 1 + BINS]
    first = BINS + reach - odd
    below = padded[first - BINS + 1 : first + 1][::-1]
    low, high = _crossings(above - below, half)
    return middle / BINS, (low + high + odd) / BINS


def _huber(section: _Section, start: float, limit: float) -> float:
    """The root of sum(w psi), psi = clip(centre - mu, -limit, limit), by Newton steps kept within a shrinking bracket;
    each is a few subtractions of running sums."""
    mu, low, high, total = start, -1.0, 1.0, section.total
    w, m = section.weight, section.moment
    for _ in range(ITERATIONS):
        a, b = section.within(mu, limit)
        below, upto = int(w[a]), int(w[b])
        inside = upto - below
        psi = float(m[b] - m[a]) - mu * inside + limit * (total - upto - below)
        if abs(psi) <= ROOT_ENOUGH * total:
            break
        low, high = (mu, high) if psi > 0 else (low, mu)
        step = mu + psi / max(inside, 1)
        mu = step if inside and low <= step <= high else 0.5 * (low + high)
    return mu

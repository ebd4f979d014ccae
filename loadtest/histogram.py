"""A bounded histogram of durations with a known relative error, mergeable between processes. Pure.

Values are seconds. Bins are log-linear: each factor of two is cut into 64 equal parts, so that a percentile is within
1/64 (1.6 %) of the true value, from 1 microsecond to about 4,700 s, in 2,048 + 2 counters whatever is recorded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

PARTS_AN_OCTAVE = 64  # relative error of a bin's edge: 1/64
OCTAVES = 32
SMALLEST_S = 1e-6
BINS = OCTAVES * PARTS_AN_OCTAVE + 2  # one below (and exactly zero), one above


def place(values_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Bin numbers of values (any shape): 0 below SMALLEST_S, BINS - 1 above the range or NaN."""
    scaled = np.asarray(values_s, np.float64) / SMALLEST_S
    low = ~(scaled >= 1.0)
    mantissa, exponent = np.frexp(np.where(low, 1.0, np.minimum(scaled, 2.0**OCTAVES)))
    made = (exponent.astype(np.int64) - 1) * PARTS_AN_OCTAVE + ((2 * mantissa - 1) * PARTS_AN_OCTAVE).astype(np.int64)
    made = np.minimum(made + 1, BINS - 1)
    made = np.where(low, 0, made)
    return np.where(np.isnan(scaled), BINS - 1, made)


def upper_s(bins: NDArray[np.int64]) -> NDArray[np.float64]:
    """The upper edges of bins, in seconds: what a percentile reports, so it never flatters."""
    octave, part = np.divmod(np.asarray(bins, np.int64) - 1, PARTS_AN_OCTAVE)
    edge = 2.0**octave * (1.0 + (part + 1) / PARTS_AN_OCTAVE) * SMALLEST_S
    made: NDArray[np.float64] = np.where(np.asarray(bins) <= 0, SMALLEST_S, edge)
    return made


@dataclass(slots=True)
class Histogram:
    """Counts a bin, and the exact number, sum, smallest and largest of what was recorded (negative counts as 0)."""

    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(BINS, np.int64))
    count: int = 0
    total_s: float = 0.0
    smallest_s: float = float("inf")
    largest_s: float = 0.0

    def record(self, values_s: float | Sequence[float] | NDArray[np.float64]) -> None:
        """Record one value or many."""
        values = np.atleast_1d(np.asarray(values_s, np.float64))
        if not len(values):
            return
        values = np.maximum(values, 0.0)
        self.counts += np.bincount(place(values), minlength=BINS)
        self.count += len(values)
        self.total_s += float(values.sum())
        self.smallest_s = min(self.smallest_s, float(values.min()))
        self.largest_s = max(self.largest_s, float(values.max()))

    def merge(self, other: Histogram) -> None:
        """Add another's counts; the same as having recorded its values here."""
        self.counts += other.counts
        self.count += other.count
        self.total_s += other.total_s
        self.smallest_s = min(self.smallest_s, other.smallest_s)
        self.largest_s = max(self.largest_s, other.largest_s)

    def percentile(self, percent: float) -> float:
        """The smallest bin edge that at least ``percent`` of the values lie under, in seconds; NaN when empty."""
        if not self.count:
            return float("nan")
        needed = max(1, int(np.ceil(self.count * percent / 100.0)))
        found = int(np.searchsorted(np.cumsum(self.counts), needed))
        return min(float(upper_s(np.array([found]))[0]), self.largest_s)

    @property
    def mean_s(self) -> float:
        return self.total_s / self.count if self.count else float("nan")

    def dump(self) -> dict[str, Any]:
        """JSON: only the bins that hold anything."""
        held = np.flatnonzero(self.counts)
        return {
            "bins": held.tolist(),
            "counts": self.counts[held].tolist(),
            "total_s": self.total_s,
            "smallest_s": self.smallest_s if self.count else None,
            "largest_s": self.largest_s,
        }

    @classmethod
    def load(cls, body: dict[str, Any]) -> Histogram:
        """The histogram that :meth:`dump` wrote."""
        made = cls()
        made.counts[np.asarray(body["bins"], np.int64)] = body["counts"]
        made.count = int(made.counts.sum())
        made.total_s, made.largest_s = float(body["total_s"]), float(body["largest_s"])
        if body["smallest_s"] is not None:
            made.smallest_s = float(body["smallest_s"])
        return made

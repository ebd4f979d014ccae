from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadtest.histogram import BINS, PARTS_AN_OCTAVE, Histogram, place, upper_s


@pytest.mark.parametrize("percent", [1.003, 50.003, 90.003, 99.003, 99.903, 100.0])  # no rank on a whole number
def test_percentiles_agree_with_numpy_within_a_bin(percent: float) -> None:
    """numpy.percentile with the inverted distribution function as the reference."""
    values = np.random.default_rng(1).lognormal(-5.0, 1.5, 20_000)
    made = Histogram()
    made.record(values)
    reference = float(np.percentile(values, percent, method="inverted_cdf"))
    assert reference <= made.percentile(percent) <= reference * (1 + 1 / PARTS_AN_OCTAVE) + 1e-12


@given(st.lists(st.floats(0.0, 5000.0), min_size=1, max_size=200), st.integers(0, 200))
def test_merging_is_recording_together(values: list[float], cut: int) -> None:
    left, right, whole = Histogram(), Histogram(), Histogram()
    left.record(values[:cut])
    right.record(values[cut:])
    whole.record(values)
    left.merge(right)
    assert left.counts.tolist() == whole.counts.tolist()
    assert (left.count, left.largest_s, left.smallest_s) == (whole.count, whole.largest_s, whole.smallest_s)
    assert left.total_s == pytest.approx(whole.total_s)


@given(st.floats(1e-6, 4000.0))
def test_every_value_lies_under_its_bins_edge(value: float) -> None:
    edge = float(upper_s(place(np.array([value])))[0])
    assert value <= edge * (1 + 1e-12)
    assert edge <= value * (1 + 1.0 / PARTS_AN_OCTAVE) * (1 + 1e-12)


def test_extremes_are_kept_and_bounded() -> None:
    made = Histogram()
    made.record([0.0, -1.0, 1e9, float("inf")])
    assert made.counts[0] == 2
    assert made.counts[BINS - 1] == 2
    assert made.counts.nbytes == BINS * 8
    assert np.isnan(Histogram().percentile(50))


def test_json_round_trip() -> None:
    made = Histogram()
    made.record(np.random.default_rng(2).uniform(0, 3, 500))
    again = Histogram.load(made.dump())
    assert again.counts.tolist() == made.counts.tolist()
    assert again.percentile(99) == made.percentile(99)
    assert Histogram.load(Histogram().dump()).count == 0

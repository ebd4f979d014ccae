"""Histograms and the estimate defined on them, against the same estimate written out over raw values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from aggregator import house
from aggregator.snapshot import BINS

Floats = NDArray[np.float64]


def raw_median(x: Floats, weight: Floats) -> float:
    order = np.argsort(x, kind="stable")
    x, total = x[order], np.cumsum(weight[order])
    low = np.searchsorted(total, total[-1] / 2, side="left")
    high = min(int(np.searchsorted(total, total[-1] / 2, side="right")), len(x) - 1)
    return float(x[low] + x[high]) / 2


def raw_estimate(s: Floats, confidence: Floats) -> float:
    """Contract 9 over raw values: weighted median and MAD, scale = max(1.4826 MAD, 0.02), Huber at 1.5 by bisection."""
    weight = np.rint(255 * confidence)
    deviation = raw_median(np.abs(s - raw_median(s, weight)), weight)
    limit = 1.5 * max(1.4826 * deviation, 0.02)
    low, high = -1.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if np.sum(weight * np.clip(s - middle, -limit, limit)) > 0:
            low = middle
        else:
            high = middle
    return (1 + (low + high) / 2) / 2


def audience(rng: np.random.Generator, n: int, bad: float = 0.3) -> tuple[Floats, Floats]:
    z = rng.normal(rng.normal(0, 1.5), 1, n)
    z = np.where(rng.random(n) < bad, rng.uniform(-8, 8, n), z)
    return np.tanh(z / 4), rng.uniform(0.05, 1, n)


def one(s: Floats, confidence: Floats) -> house.Estimates:
    weights, sums, _ = house.section_histograms(s, confidence, np.zeros(len(s), np.int64), 1)
    return house.estimate(weights, sums)


def test_histograms_add_up_exactly_in_any_split() -> None:
    rng = np.random.default_rng(1)
    s, confidence = audience(rng, 5000)
    section = rng.integers(0, 7, 5000)
    whole = house.section_histograms(s, confidence, section, 7)
    for owners in (3, 10):
        owner = rng.integers(0, owners, 5000)
        parts = [
            house.section_histograms(s[owner == o], confidence[owner == o], section[owner == o], 7)
            for o in range(owners)
        ]
        for i, expected in enumerate(whole):
            np.testing.assert_array_equal(sum(p[i] for p in parts), expected)


def test_histogram_by_hand() -> None:
    s = np.array([-1.0, 0.0, 1.0, 0.5])
    weights, sums, counted = house.section_histograms(s, np.array([1.0, 0.5, 1.0, 0.0]), np.array([0, 0, 1, 1]), 2)
    assert weights.sum(axis=1).tolist() == [255 + 128, 255]
    assert weights[0, 0] == 255
    assert weights[0, BINS // 2] == 128
    assert weights[1, BINS - 1] == 255
    assert sums.tolist() == [-255 * 32767, 255 * 32767]
    assert counted.tolist() == [2, 1]


@pytest.mark.parametrize(("section", "sections"), [([2], 2), ([-1], 2)])
def test_a_section_outside_the_plan_is_refused(section: list[int], sections: int) -> None:
    with pytest.raises(ValueError, match="section: found"):
        house.section_histograms(np.zeros(1), np.ones(1), np.array(section), sections)


def test_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        house.section_histograms(np.array([np.nan]), np.ones(1), np.zeros(1, np.int64), 1)


@pytest.mark.parametrize("n", [50, 200, 2000])
def test_within_0_0005_of_the_raw_estimate(n: int) -> None:
    """Contract 9; a third of the sensors say anything."""
    rng = np.random.default_rng(n)
    errors = []
    for _ in range(60):
        s, confidence = audience(rng, n)
        errors.append(abs(float(one(s, confidence).arousal[0]) - raw_estimate(s, confidence)))
    assert max(errors) <= 0.0005, max(errors)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(-1, 1), st.floats(0.01, 1)), min_size=1, max_size=12))
def test_small_sections_stay_close_to_the_raw_estimate(listeners: list[tuple[float, float]]) -> None:
    """A handful of listeners: the bin's width shows in the scale, so the bound is wider than a house's."""
    s, confidence = (np.array(v) for v in zip(*listeners, strict=True))
    made = one(s, confidence)
    if np.rint(255 * confidence).sum() == 0:
        return
    assert abs(float(made.arousal[0]) - raw_estimate(s, confidence)) <= 0.004
    assert 0 <= made.low[0] <= made.arousal[0] <= made.high[0] <= 1
    assert 0 <= made.values[0, 1] <= made.values[0, 2] <= made.values[0, 3] <= 1


def test_one_listener_is_the_estimate() -> None:
    made = one(np.array([0.3217]), np.array([0.6]))
    assert abs(float(made.arousal[0]) - (1 + 0.3217) / 2) < 2e-5  # the integer sum's unit
    assert made.high[0] - made.low[0] > 0.3, "one listener says little about the house"


def test_nobody_is_rest_without_knowledge() -> None:
    made = house.estimate(np.zeros((2, BINS), np.int64), np.zeros(2, np.int64))
    assert made.arousal.tolist() == [0.5, 0.5]
    assert made.low.tolist() == [0.0, 0.0]
    assert made.high.tolist() == [1.0, 1.0]
    assert house.confidence(made, np.array([0, 10])).tolist() == [0.0, 0.0]


def test_a_section_does_not_depend_on_the_others() -> None:
    rng = np.random.default_rng(3)
    s, confidence = audience(rng, 900)
    section = rng.integers(0, 5, 900)
    weights, sums, _ = house.section_histograms(s, confidence, section, 5)
    together = house.estimate(weights, sums).values
    for i in range(5):
        np.testing.assert_array_equal(house.estimate(weights[i : i + 1], sums[i : i + 1]).values[0], together[i])


@pytest.mark.parametrize(("n", "error_sd"), [(50, 0.14), (500, 0.11)])
def test_a_third_of_bad_sensors(n: int, error_sd: float) -> None:
    """MEASUREMENTS: confidence-weighted Huber errs by 0.14 sd at 50 and 0.11 at 500 with 30 % bad sensors that say
    anything; ours may not be worse. Listeners differ by one deviation, 0.1225 of arousal."""
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(100):
        bad = rng.random(n) < 0.3
        s = np.tanh(np.where(bad, rng.uniform(-8, 8, n), rng.normal(0, 1, n)) / 4)
        errors.append(abs(float(one(s, np.where(bad, 0.6, 0.9)).arousal[0]) - 0.5) / 0.1225)
    assert np.median(errors) <= error_sd


def test_percentiles_of_a_spread_house() -> None:
    made = one(np.linspace(-0.8, 0.8, 1601), np.ones(1601))
    np.testing.assert_allclose(made.values[0, 1:4], [0.18, 0.5, 0.82], atol=0.001)


@pytest.mark.parametrize("n", [8, 40, 300])
def test_the_interval_holds_the_truth_about_95_times_in_100(n: int) -> None:
    rng = np.random.default_rng(n)
    inside = 0
    for _ in range(400):
        made = one(np.tanh(rng.normal(0, 1, n) / 4), np.ones(n))
        inside += bool(made.low[0] <= 0.5 <= made.high[0])
    assert 0.93 <= inside / 400 <= 0.99, inside / 400


def test_confidence_rises_with_listeners_and_falls_with_bad_sensors() -> None:
    rng = np.random.default_rng(9)

    def trust(n: int, usable: int) -> float:
        made = one(np.tanh(rng.normal(0, 1, usable) / 4), np.ones(usable))
        return float(house.confidence(made, np.array([n]))[0])

    assert trust(3, 3) < trust(20, 20) < trust(400, 400)
    assert trust(400, 200) < 0.6 < trust(400, 400)

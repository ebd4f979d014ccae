"""Respiration: rate, depth, onsets at the lowest point, a tremble is no breath, equal bits."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.breath import BreathState, update
from aggregator.dsp.columns import Floats
from tests.aggregator.helper_channels import Ran, chunks_of, even, random_chunks, rough, run, same_rows


def belt(x: Floats, rate_hz: float = 25.0) -> Ran:
    return run(even(x[:, None], rate_hz), 16, "mean", chunks_of(6), state=BreathState.allocate(1), update=update)


def breathing(a_minute: float, seconds: int = 90, depth: float = 2.0, noise: float = 0.02) -> Floats:
    """Lowest point (onset) at the start of each period."""
    t = np.arange(seconds * 25) / 25
    x: Floats = 100 - 0.5 * depth * np.cos(2 * np.pi * a_minute / 60 * t)
    return x + np.random.default_rng(1).normal(0, noise, len(t))


@pytest.mark.parametrize("a_minute", [6.0, 9.0, 15.0, 24.0, 40.0])
def test_rate_and_depth_of_a_sine(a_minute: float) -> None:
    state = belt(breathing(a_minute)).state
    assert state.rate_per_min[0] == pytest.approx(a_minute, rel=0.03)
    smoothing = 1.0 + (2 * np.pi * a_minute / 60 * 0.15) ** 2  # two poles of 0.15 s flatten quick breaths
    assert state.depth[0] == pytest.approx(2.0 / smoothing, rel=0.12)
    assert state.quality[0] > 0.95


def test_one_event_a_breath_at_its_lowest_point() -> None:
    ran = belt(breathing(15.0))
    late = [(index / 16, value) for _, index, value in ran.events if index > 20 * 16]
    assert len(late) in (17, 18)
    for at_s, interval_s in late:
        assert (at_s + 2.0) % 4.0 - 2.0 == pytest.approx(0.0, abs=0.35)
        assert interval_s == pytest.approx(4.0, abs=0.3)


def test_a_tremble_on_the_slope_is_no_breath() -> None:
    x = breathing(12.0)
    x += 0.15 * np.sin(2 * np.pi * 2.0 * np.arange(len(x)) / 25)
    assert belt(x).state.rate_per_min[0] == pytest.approx(12.0, rel=0.05)


def test_holding_the_breath_costs_quality() -> None:
    x = np.concatenate((breathing(15.0, 60), np.full(25 * 25, 99.0)))
    assert belt(x[: 60 * 25]).state.quality[0] > 0.95
    assert belt(x).state.quality[0] == 0.0


def test_never_measured_is_never_known() -> None:
    for x in (np.full(500, np.nan), np.full(500, 3.0)):
        state = belt(x).state
        assert np.isnan(state.rate_per_min[0])
        assert np.isnan(state.depth[0])
        assert state.quality[0] == 0.0


def test_equal_bits_in_any_chunks_alone_and_among_many() -> None:
    streams = rough(20, 1000, 25.0, 0.0, seed=3)
    rows = np.sort(np.random.default_rng(0).permutation(1000)[:20])
    whole = run(streams, 16, "mean", chunks_of(9), state=BreathState.allocate(1000), update=update, rows=rows)
    parts = run(streams, 16, "mean", random_chunks(1, 40), state=BreathState.allocate(1000), update=update, rows=rows)
    same_rows(whole.state, parts.state, rows, rows)
    assert str(whole.events) == str(parts.events)
    for i in (0, 11):
        alone = run(streams.of(i), 16, "mean", random_chunks(2, 9), state=BreathState.allocate(1), update=update)
        same_rows(whole.state, alone.state, rows[i : i + 1], np.array([0]))
    assert sum(BreathState.bytes_a_listener().values()) <= 200

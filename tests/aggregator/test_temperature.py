"""Finger temperature: slope of a ramp, the 15 s lag, the cold finger's weight, equal bits."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.columns import Floats
from aggregator.dsp.temperature import TemperatureState, update
from tests.aggregator.helper_channels import Ran, chunks_of, even, random_chunks, rough, run, same_rows


def finger(celsius: Floats) -> Ran:
    return run(even(celsius[:, None], 1.0), 1, "mean", chunks_of(3), state=TemperatureState.allocate(1), update=update)


def test_the_slope_of_a_ramp_is_its_slope() -> None:
    t = np.arange(240.0)
    state = finger(34.0 - 0.6 * t / 60).state
    assert state.slope_c_per_min[0] == pytest.approx(-0.6, abs=0.01)
    assert state.celsius[0] == pytest.approx(34.0 - 0.6 * (239 - 5.5) / 60, abs=0.02)
    assert finger(np.full(240, 33.0)).state.slope_c_per_min[0] == pytest.approx(0.0, abs=1e-12)


def test_nothing_moves_faster_than_the_channel_itself() -> None:
    """Finger temperature lags vasoconstriction by about 15 s: Kistler et al. 1998, Int J Psychophysiol 29:35-41."""
    t = np.arange(200.0)
    x = 34.0 - 0.8 * np.clip((t - 100) / 30, 0, 1)
    slope = {n: float(finger(x[:n]).state.slope_c_per_min[0]) for n in range(90, 160, 4)}
    assert abs(slope[102]) < 0.2 * abs(min(slope.values()))
    assert 15 <= min(slope, key=lambda n: slope[n]) - 100 <= 45


@pytest.mark.parametrize(("start_c", "weight"), [(24.0, 0.0), (29.5, 0.0), (31.0, 0.5), (32.5, 1.0), (35.0, 1.0)])
def test_a_cold_finger_counts_for_nothing(start_c: float, weight: float) -> None:
    """Only fingers that start above about 32 degrees show it (Kistler et al. 1998); 30 as lower edge: practice."""
    assert finger(np.full(120, start_c)).state.weight[0] == pytest.approx(weight, abs=0.01)


def test_the_weight_comes_slowly_and_follows_the_last_minute() -> None:
    warm = np.full(300, 34.0)
    weight = [float(finger(warm[:n]).state.weight[0]) for n in (5, 20, 120)]
    assert weight[0] < 0.3 < weight[1] < 0.8 < weight[2]
    warming = np.concatenate((np.full(100, 28.0), np.linspace(28, 34, 100), np.full(100, 34.0)))
    assert finger(warming[:150]).state.weight[0] == 0.0
    assert finger(warming).state.weight[0] > 0.5


def test_out_of_range_and_sudden_steps_cost_quality_and_move_nothing() -> None:
    x = np.full(120, 34.0)
    x[60:63] = 80.0
    x[90:] = 31.5
    state = finger(x[:63]).state
    assert state.celsius[0] == 34.0
    assert state.quality[0] < 0.7
    after = finger(x).state
    assert after.slope_c_per_min[0] == pytest.approx(0.0, abs=0.05)
    assert after.celsius[0] == pytest.approx(31.5, abs=0.01)


def test_never_measured_is_never_known() -> None:
    state = finger(np.full(30, np.nan)).state
    assert np.isnan(state.celsius[0])
    assert np.isnan(state.slope_c_per_min[0])
    assert state.weight[0] == state.quality[0] == 0.0


def test_equal_bits_in_any_chunks_alone_and_among_many() -> None:
    streams = rough(20, 120, 1.0, 33.0, seed=3)
    rows = np.sort(np.random.default_rng(0).permutation(1000)[:20])
    whole = run(streams, 1, "mean", chunks_of(2), state=TemperatureState.allocate(1000), update=update, rows=rows)
    parts = run(
        streams, 1, "mean", random_chunks(1, 9), state=TemperatureState.allocate(1000), update=update, rows=rows
    )
    same_rows(whole.state, parts.state, rows, rows)
    for i in (0, 11):
        alone = run(streams.of(i), 1, "mean", random_chunks(2, 9), state=TemperatureState.allocate(1), update=update)
        same_rows(whole.state, alone.state, rows[i : i + 1], np.array([0]))
    assert sum(TemperatureState.bytes_a_listener().values()) <= 200

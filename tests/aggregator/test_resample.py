"""Resampling: any chunking gives the same bits, time-true indices, gaps and holes, and plain numpy as the reference."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.columns import Floats, Ints
from aggregator.dsp.grid import GridBlock
from aggregator.dsp.resample import GridState, Mode, resample
from tests.aggregator.helper_channels import Streams, chunks_of, even, random_chunks, rough, run, same_rows

CASES: list[tuple[int, Mode, float]] = [
    (64, "linear", 64.0), (64, "linear", 50.0), (64, "linear", 29.7), (64, "linear", 100.0),
    (8, "mean", 4.0), (8, "mean", 8.0), (8, "mean", 32.0), (1, "mean", 1.0), (16, "mean", 60.0), (4, "mean", 1.0),
    (32, "rectified", 500.0), (32, "rectified", 40.0),
]  # fmt: skip


def one(
    time_us: Ints, value: Floats, grid_hz: int, mode: Mode = "linear", chunk: int = 7
) -> list[tuple[int, float, bool, bool]]:
    return run(Streams([time_us], [value]), grid_hz, mode, chunks_of(chunk)).points[0]


@pytest.mark.parametrize(("grid_hz", "mode", "rate_hz"), CASES)
def test_any_chunking_and_any_company_gives_the_same_bits(grid_hz: int, mode: Mode, rate_hz: float) -> None:
    streams = rough(12, 400, rate_hz, 5.0, seed=grid_hz + int(rate_hz))
    rows = np.sort(np.random.default_rng(1).permutation(1000)[:12])
    whole = run(streams, grid_hz, mode, chunks_of(400), rows=rows)
    parts = run(streams, grid_hz, mode, random_chunks(3, 40), rows=rows)
    assert whole.points == parts.points
    same_rows(whole.grid, parts.grid, rows, rows)
    for i in (0, 7):
        alone = run(streams.of(i), grid_hz, mode, random_chunks(4, 90))
        assert alone.points[0] == whole.points[i]


@pytest.mark.parametrize("grid_hz", [64, 16, 8, 4, 1])
def test_a_stream_at_grid_rate_passes_through_bit_by_bit(grid_hz: int) -> None:
    values = np.random.default_rng(0).normal(3, 1, 200)
    points = one(even(values[:, None], grid_hz, 77_123).time_us[0], values, grid_hz)
    assert [p[0] for p in points] == list(range(200))
    assert [p[1] for p in points] == values.tolist()
    assert [p[3] for p in points] == [True] + [False] * 199


@pytest.mark.parametrize("rate_hz", [25.0, 29.97, 50.0, 100.0])
def test_linear_equals_numpy_interp(rate_hz: float) -> None:
    rng = np.random.default_rng(2)
    t = np.cumsum(rng.uniform(0.7, 1.3, 300) * 1e6 / rate_hz).astype(np.int64)
    v = rng.normal(size=300)
    points = one(t, v, 64)
    k = np.array([p[0] for p in points])
    np.testing.assert_array_equal(k, np.arange(len(k)))
    assert k[-1] == (t[-1] - t[0]) // 15625
    np.testing.assert_allclose([p[1] for p in points], np.interp(t[0] + k * 15625, t, v), rtol=0, atol=1e-12)
    assert all(p[2] for p in points)


@pytest.mark.parametrize("rate_hz", [4.0, 8.0, 10.0, 32.0, 250.0])
def test_mean_equals_the_integral_of_the_line(rate_hz: float) -> None:
    """Reference: the trapezoidal rule over all corners of the piecewise linear signal, period by period."""
    rng = np.random.default_rng(3)
    t = np.cumsum(rng.uniform(0.8, 1.2, 200) * 1e6 / rate_hz).astype(np.int64)
    t -= t[0]
    v = rng.normal(size=200)
    points = one(t, v, 8, "mean")
    assert [p[0] for p in points] == list(range(1, t[-1] // 125_000 + 1))
    for k, x, valid, _ in points:
        a, b = (k - 1) * 125_000, k * 125_000
        corner = np.concatenate(([a], t[(t > a) & (t < b)], [b])).astype(float)
        assert valid
        assert x == pytest.approx(np.trapezoid(np.interp(corner, t, v), corner) / 125_000, abs=1e-9)


def test_rectified_is_the_mean_deviation_from_the_slow_mean() -> None:
    """A square wave of +-2 around 100: the mean deviation is 2, whatever the offset."""
    v = 100.0 + 2.0 * np.where(np.arange(4000) // 5 % 2 == 0, 1.0, -1.0)
    points = one(even(v[:, None], 1000.0).time_us[0], v, 32, "rectified", chunk=31)
    late = [x for k, x, valid, _ in points if k > 64]
    assert len(late) == 3999 * 32 // 1000 - 64
    np.testing.assert_allclose(late, 2.0, atol=0.1)


def test_a_gap_gives_points_that_are_not_valid_and_hold_the_last_value() -> None:
    t = np.concatenate((np.arange(10), np.arange(20, 30))) * 125_000
    v = np.arange(20.0)
    points = one(t, v, 8)
    assert [p[0] for p in points] == list(range(30))
    assert [p[2] for p in points] == [True] * 10 + [False] * 10 + [True] * 10
    assert {p[1] for p in points[10:20]} == {9.0}


@pytest.mark.parametrize("chunk", [1, 5, 100])
def test_a_hole_steps_over_on_the_same_grid_and_restarts(chunk: int) -> None:
    t = np.concatenate((np.arange(10), np.arange(10) + 100)) * 125_000
    points = one(t, np.arange(20.0), 8, chunk=chunk)
    assert [p[0] for p in points] == [*range(10), *range(100, 110)]
    assert [p[0] for p in points if p[3]] == [0, 100]
    assert all(p[2] for p in points)


@pytest.mark.parametrize("back_us", [-5_000_000, -1, 0, 3, 40_000_000])
def test_a_clock_jump_restarts_and_the_index_only_rises(back_us: int) -> None:
    t = np.arange(40, dtype=np.int64) * 125_000
    t[20:] += back_us
    ran = run(Streams([t], [np.arange(40.0)]), 8, "linear", chunks_of(7), jumps=frozenset({20}))
    k = [p[0] for p in ran.points[0]]
    assert np.all(np.diff(k) > 0)
    assert sum(p[3] for p in ran.points[0]) == 2
    assert ran.grid.dropped[0] == 0
    if back_us < -125_000:
        assert k == list(range(40))


def test_times_that_run_backwards_are_dropped_and_counted() -> None:
    t = np.arange(40, dtype=np.int64) * 15_625
    v = np.arange(40.0)
    late = t.copy()
    late[[10, 25, 26]] -= 200_000
    kept = np.setdiff1d(np.arange(40), [10, 25, 26])
    for chunk in (1, 3, 11, 40):
        ran = run(Streams([late], [v]), 64, "linear", chunks_of(chunk))
        assert ran.grid.dropped[0] == 3
        assert ran.points[0] == one(t[kept], v[kept], 64)


def test_missing_samples_do_not_spoil_a_grid_point_that_a_sample_lies_on() -> None:
    v = np.array([1.0, np.nan, 3.0, np.inf, 5.0])
    points = one(np.arange(5) * 15_625, v, 64)
    assert [p[2] for p in points] == [True, False, True, False, True]
    assert [p[1] for p in points] == [1.0, 1.0, 3.0, 3.0, 5.0]


def test_nobody_nothing_and_scattered_runs() -> None:
    state = GridState.allocate(5)
    none = np.empty(0, np.int64)
    empty = (np.empty(0, np.intp), none, none, none, np.empty(0), np.empty(0, np.bool_))
    assert resample(state, *empty, grid_hz=8, mode="mean") == []
    t = np.arange(12, dtype=np.int64) * 125_000
    rows, first, count = np.array([4, 1, 3]), np.array([8, 0, 5]), np.array([3, 4, 0])
    made: list[GridBlock] = resample(
        state, rows, first, count, t, np.arange(12.0), np.zeros(3, np.bool_), grid_hz=8, mode="linear"
    )
    (block,) = made
    assert block.rows.tolist() == [1, 4]
    assert block.x[:, 0].tolist() == [0.0, 1.0, 2.0, 3.0]
    assert block.x[:3, 1].tolist() == [8.0, 9.0, 10.0]
    assert block.count.tolist() == [4, 3]

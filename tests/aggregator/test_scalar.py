"""Named scalar channels: one-second smoothing equals scipy's filter, gaps, equal bits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter, lfilter_zi

from aggregator.dsp.scalar import ScalarState, update
from tests.aggregator.helper_channels import chunks_of, even, random_chunks, rough, run, same_rows


def test_equals_scipy() -> None:
    """``scipy.signal.lfilter`` of the same pole over the same grid, after every chunk."""
    x = np.random.default_rng(0).normal(5, 1, (200, 1))
    gain = 1 - np.exp(-0.25)
    b, a = [gain], [1.0, gain - 1.0]
    whole = run(even(x, 10.0), 4, "mean", chunks_of(10))
    grid = np.array([p[1] for p in whole.points[0]])
    expected, _ = lfilter(b, a, grid, zi=lfilter_zi(b, a) * grid[0])
    for n in (30, 77, 200):
        state = run(even(x[:n], 10.0), 4, "mean", chunks_of(3), state=ScalarState.allocate(1), update=update).state
        assert state.value[0] == pytest.approx(expected[state.index[0] - 1], abs=1e-9)


def test_missing_samples_hold_the_value_and_cost_quality() -> None:
    x = np.full((100, 1), 2.0)
    x[60:] = np.nan
    state = run(even(x, 10.0), 4, "mean", chunks_of(4), state=ScalarState.allocate(1), update=update).state
    assert state.value[0] == 2.0
    assert state.quality[0] < 0.3
    assert np.isnan(ScalarState.allocate(1).value[0])


def test_equal_bits_in_any_chunks_alone_and_among_many() -> None:
    streams = rough(20, 300, 3.0, 1.0, seed=3)
    rows = np.sort(np.random.default_rng(0).permutation(1000)[:20])
    whole = run(streams, 4, "mean", chunks_of(2), state=ScalarState.allocate(1000), update=update, rows=rows)
    parts = run(streams, 4, "mean", random_chunks(1, 9), state=ScalarState.allocate(1000), update=update, rows=rows)
    same_rows(whole.state, parts.state, rows, rows)
    alone = run(streams.of(4), 4, "mean", random_chunks(2, 5), state=ScalarState.allocate(1), update=update)
    same_rows(whole.state, alone.state, rows[4:5], np.array([0]))
    assert sum(ScalarState.bytes_a_listener().values()) <= 200

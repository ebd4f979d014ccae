"""Muscle tension: attack within 60 ms, slower release, offset and rate do not matter, equal bits."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.columns import Floats
from aggregator.dsp.muscle import MuscleState, update
from tests.aggregator.helper_channels import Ran, chunks_of, even, random_chunks, rough, run, same_rows


def electrode(x: Floats, rate_hz: float = 1000.0, chunk: int = 50) -> Ran:
    state = MuscleState.allocate(1)
    return run(even(x[:, None], rate_hz), 32, "rectified", chunks_of(chunk), state=state, update=update)


def burst(rate_hz: float, offset: float = 0.0) -> Floats:
    """A carrier of 80 Hz: 0.05 for 2 s, then 1.0 (mean absolute value 2/pi)."""
    t = np.arange(4 * rate_hz) / rate_hz
    x: Floats = offset + np.where(t < 2.0, 0.05, 1.0) * np.sin(2 * np.pi * 80.0 * t + 0.3)
    return x


def test_attack_within_60_ms_and_release_within_a_second() -> None:
    """Gate of the project: a composer hears the muscle at once. 63 % of the step, counted in samples."""
    x = burst(1000.0)
    settled = electrode(x).state.envelope[0]
    assert settled == pytest.approx(2 / np.pi, rel=0.03)
    quiet = electrode(x[:2000]).state.envelope[0]
    early = electrode(x[: 2000 + 32 + 60]).state.envelope[0]
    assert early - quiet > 0.63 * (settled - quiet)
    released = electrode(np.concatenate((x, burst(1000.0)[:1000]))).state.envelope[0]
    assert released < 0.15 * settled


@pytest.mark.parametrize(("rate_hz", "offset"), [(250.0, 0.0), (500.0, 3.0), (1000.0, -500.0)])
def test_rate_and_offset_do_not_matter(rate_hz: float, offset: float) -> None:
    made = electrode(burst(rate_hz, offset), rate_hz).state
    assert made.envelope[0] == pytest.approx(2 / np.pi, rel=0.05)
    assert made.quality[0] > 0.95


def test_missing_samples_cost_quality_and_hold_the_envelope() -> None:
    x = burst(1000.0)
    x[3000:] = np.nan
    state = electrode(x).state
    assert state.envelope[0] == pytest.approx(2 / np.pi, rel=0.05)
    assert state.quality[0] < 0.2
    assert np.isnan(electrode(np.full(500, np.nan)).state.envelope[0])


def test_equal_bits_in_any_chunks_alone_and_among_many() -> None:
    streams = rough(6, 2000, 500.0, 0.0, seed=3)
    rows = np.sort(np.random.default_rng(0).permutation(1000)[:6])
    whole = run(streams, 32, "rectified", chunks_of(25), state=MuscleState.allocate(1000), update=update, rows=rows)
    parts = run(
        streams, 32, "rectified", random_chunks(1, 99), state=MuscleState.allocate(1000), update=update, rows=rows
    )
    same_rows(whole.state, parts.state, rows, rows)
    alone = run(streams.of(4), 32, "rectified", random_chunks(2, 40), state=MuscleState.allocate(1), update=update)
    same_rows(whole.state, alone.state, rows[4:5], np.array([0]))
    assert sum(MuscleState.bytes_a_listener().values()) <= 200

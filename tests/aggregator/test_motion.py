"""Movement from acceleration: still, dancing, no channel, gravity and tilting, equal bits."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.columns import Floats
from aggregator.dsp.motion import MotionState, update
from tests.aggregator.helper_channels import Ran, chunks_of, even, random_chunks, rough, run, same_rows


def phone(ms2: Floats, rate_hz: float = 50.0) -> Ran:
    return run(even(ms2[:, None], rate_hz), 16, "mean", chunks_of(12), state=MotionState.allocate(1), update=update)


def shaken(hz: float, ms2: float, seconds: int = 20, rate_hz: float = 50.0) -> Floats:
    t = np.arange(seconds * rate_hz) / rate_hz
    x: Floats = 9.81 + ms2 * np.sin(2 * np.pi * hz * t) + np.random.default_rng(0).normal(0, 0.03, len(t))
    return x


@pytest.mark.parametrize("rate_hz", [16.0, 50.0, 100.0])
def test_seated_is_none_and_dancing_is_much(rate_hz: float) -> None:
    """Levels of common practice: a phone at rest 0.03 m/s2 of noise, dancing and walking 1.5-3 m/s2 rms at 1-3 Hz."""
    assert phone(shaken(2.0, 0.0, rate_hz=rate_hz), rate_hz).state.movement[0] < 0.02
    assert phone(shaken(2.0, 2.5, rate_hz=rate_hz), rate_hz).state.movement[0] > 0.85
    middle = phone(shaken(2.0, 0.7, rate_hz=rate_hz), rate_hz).state.movement[0]
    assert 0.3 < middle < 0.6


def test_gravity_and_slow_tilting_are_no_movement() -> None:
    assert phone(np.full(500, 9.81)).state.movement[0] == 0.0
    assert phone(shaken(0.03, 0.5)).state.movement[0] < 0.05


def test_movement_is_known_from_the_first_second_and_fades_in_seconds() -> None:
    x = shaken(2.0, 2.5)
    assert phone(x[:50]).state.movement[0] > 0.8
    still = np.concatenate((x, shaken(2.0, 0.0)))
    assert phone(still[: 1000 + 150]).state.movement[0] < phone(x).state.movement[0]
    assert phone(still).state.movement[0] < 0.1


def test_no_motion_channel_is_not_stillness() -> None:
    assert np.isnan(MotionState.allocate(1).movement[0])
    state = phone(np.full(200, np.nan)).state
    assert np.isnan(state.movement[0])
    assert state.quality[0] == 0.0


def test_equal_bits_in_any_chunks_alone_and_among_many() -> None:
    streams = rough(20, 800, 25.0, 9.8, seed=3)
    rows = np.sort(np.random.default_rng(0).permutation(1000)[:20])
    whole = run(streams, 16, "mean", chunks_of(9), state=MotionState.allocate(1000), update=update, rows=rows)
    parts = run(streams, 16, "mean", random_chunks(1, 40), state=MotionState.allocate(1000), update=update, rows=rows)
    same_rows(whole.state, parts.state, rows, rows)
    for i in (0, 11):
        alone = run(streams.of(i), 16, "mean", random_chunks(2, 9), state=MotionState.allocate(1), update=update)
        same_rows(whole.state, alone.state, rows[i : i + 1], np.array([0]))
    assert sum(MotionState.bytes_a_listener().values()) <= 200

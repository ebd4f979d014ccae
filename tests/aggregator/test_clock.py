"""Phone clock to house clock: offset, skew, windows, jumps."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.clock import ClockState, follow, forget, jumps, to_house

HOUSE_MS = 1_700_000_000_000.0


def run(
    seconds: float, *, skew: float = 0.0, seed: int = 1, jitter_ms: float = 40.0, floor_ms: float = 5.0
) -> tuple[ClockState, float]:
    """A phone whose clock runs fast by ``skew`` sends four packets a second through a jittering network; returns the
    state and the largest error of the mapping after the first minute, ms."""
    rng = np.random.default_rng(seed)
    state = ClockState.allocate(1)
    worst = 0.0
    for i in range(round(seconds * 4)):
        true_ms = i * 250.0
        phone_us = np.array([round((77_000 + true_ms * (1 + skew)) * 1000)])
        arrival = np.array([HOUSE_MS + true_ms + floor_ms + float(rng.exponential(jitter_ms))])
        follow(state, np.array([0]), np.array([0]), phone_us, arrival)
        if true_ms > 60_000:
            worst = max(worst, abs(float(to_house(state, np.array([0]), phone_us * 1e-3)[0]) - HOUSE_MS - true_ms))
    return state, worst


def test_the_smallest_delay_is_the_offset() -> None:
    state = ClockState.allocate(2)
    delays = [30.0, 12.0, 80.0]
    for i, delay in enumerate(delays):
        follow(state, np.array([1]), np.array([0]), np.array([i * 250_000]), np.array([HOUSE_MS + i * 250.0 + delay]))
    assert to_house(state, np.array([1]), np.array([1000.0]))[0] == HOUSE_MS + 1012.0
    assert np.isnan(to_house(state, np.array([0]), np.array([1000.0]))[0])


@pytest.mark.parametrize("skew", [0.0, 200e-6, -200e-6, 50e-6])
def test_skew_up_to_the_limit_stays_within_a_packets_width(skew: float) -> None:
    state, worst = run(900, skew=skew)
    assert worst < 25.0  # the path's 5 ms, and what 200 ppm drift in two windows (6 ms), with queueing on top
    assert float(state.skew[0]) == pytest.approx(-skew, abs=60e-6)


def test_skew_is_limited() -> None:
    state, _ = run(300, skew=5e-3)
    assert abs(float(state.skew[0])) <= 200e-6


def test_a_path_that_becomes_slower_is_followed_within_two_windows() -> None:
    state = ClockState.allocate(1)
    for i in range(240):
        delay = 5.0 if i < 120 else 65.0
        follow(state, np.array([0]), np.array([0]), np.array([i * 250_000]), np.array([HOUSE_MS + i * 250.0 + delay]))
        if i == 119:
            assert to_house(state, np.array([0]), np.array([0.0]))[0] == HOUSE_MS + 5.0
    assert to_house(state, np.array([0]), np.array([0.0]))[0] == pytest.approx(HOUSE_MS + 65.0)


def test_jumps_are_backwards_or_ahead_of_the_own_arrival() -> None:
    state = ClockState.allocate(1)
    follow(state, np.array([0]), np.array([0]), np.array([10_000_000]), np.array([HOUSE_MS]))
    row = np.zeros(5, np.intp)
    first = np.array([True, False, False, False, False])
    time_us = np.array([10_250_000, 10_500_000, 10_400_000, 10_650_000, 19_000_000])
    arrival = HOUSE_MS + np.array([250.0, 500.0, 750.0, 1000.0, 1250.0])
    assert jumps(state, row, time_us, arrival, first).tolist() == [False, False, True, False, True]


def test_the_first_packet_never_jumps_and_a_burst_does_not_either() -> None:
    state = ClockState.allocate(1)
    row = np.zeros(40, np.intp)
    first = np.arange(40) == 0
    time_us = np.arange(40) * 250_000
    assert not jumps(state, row, time_us, np.full(40, HOUSE_MS), first).any()
    follow(state, np.array([0]), np.array([0]), time_us[:1], np.array([HOUSE_MS]))
    assert not jumps(state, row, time_us, np.full(40, HOUSE_MS + 10_000), first).any()


def test_forgetting_leaves_nothing() -> None:
    state, _ = run(30)
    forget(state, np.array([0]))
    fresh = ClockState.allocate(1).arrays()
    assert all(np.array_equal(a, fresh[name]) for name, a in state.arrays().items())


def test_rows_do_not_touch_each_other() -> None:
    alone, _ = run(60, seed=3)
    rng = np.random.default_rng(3)
    among = ClockState.allocate(3)
    for i in range(240):
        a = HOUSE_MS + i * 250.0 + 5.0 + float(rng.exponential(40.0))
        phone = 77_000_000 + i * 250_000
        time_us = np.array([phone + 5, phone, phone + 9])
        follow(among, np.array([0, 1, 2]), np.array([0, 1, 2]), time_us, np.array([a + 3.0, a, a + 900.0]))
    for name, column in alone.arrays().items():
        assert np.array_equal(column[0], among.arrays()[name][1]), name

"""Synchrony by integer sums against a plain masked reference and the closed forms of REFERENCES (algebra, D)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from aggregator import synchrony as sy
from aggregator.snapshot import SynchronySums

Floats = NDArray[np.float64]
END = 4008  # a sample number that is a multiple of a cycle


def filled(x: Floats, end: int = END) -> sy.SynchronyState:
    """State after pushing x (listeners, samples, features), NaN for gaps, its last sample being end - 1."""
    state = sy.SynchronyState.allocate(len(x))
    for i in range(x.shape[1]):
        sy.push(state, slice(None), end - x.shape[1] + i, x[:, i], np.isfinite(x[:, i]))
    return state


def house_of(rng: np.random.Generator, listeners: int, gaps: float, noise: float = 1.0) -> Floats:
    """Common signal plus own noise in both features; gaps at random."""
    x = rng.normal(size=(1, sy.WINDOW, 2)) + noise * rng.normal(size=(listeners, sy.WINDOW, 2))
    x[rng.random(x.shape) < gaps] = np.nan
    return x


def reference(x: Floats) -> float:
    """Mean over samples and pairs (i, j), both valid, of z_i z_j; x (listeners, samples): nothing clever."""
    z = (x - np.nanmean(x, axis=1, keepdims=True)) / np.nanstd(x, axis=1, keepdims=True)
    total, pairs = 0.0, 0
    for i in range(len(z)):
        for j in range(len(z)):
            if i != j:
                both = np.isfinite(z[i]) & np.isfinite(z[j])
                total += float(np.sum(z[i, both] * z[j, both]))
                pairs += int(both.sum())
    return total / pairs


def sums_of(state: sy.SynchronyState, rows: NDArray[np.intp] | None = None, end: int = END) -> SynchronySums:
    rows = np.arange(len(state.newest)) if rows is None else rows
    return SynchronySums(end * sy.SAMPLE_MS, *sy.window_sums(state, rows, end))


@pytest.mark.parametrize("gaps", [0.0, 0.1, 0.3])
def test_closed_forms(gaps: float) -> None:
    """s^2 = n^2 = 1, N = 50: pairwise 0.500, leave-one-out 0.700, whatever the gaps (REFERENCES, algebra)."""
    rng = np.random.default_rng(7)
    pairs, others = [], []
    for _ in range(30):
        x = house_of(rng, 50, gaps)
        pairs.append(sy.synchrony(sums_of(filled(x))).raw)
        others.append(float(np.nanmean(sy.leave_one_out(x[:, :, 0]))))
    assert np.mean(pairs) == pytest.approx(0.500, abs=0.012)
    assert np.mean(others) == pytest.approx(0.700, abs=0.012)


def test_a_doubt_takes_back_the_two_seconds_before_it_of_that_feature_alone() -> None:
    state, rows, value = sy.SynchronyState.allocate(4), np.array([1, 3]), np.full((2, 2), 5.0)
    none = np.zeros((2, 2), np.bool_)
    doubt = np.array([[True, False], [False, False]])
    for n in range(END - 20, END):
        sy.push(state, rows, n, value, ~none, none)
    for n in range(END, END + 3):
        sy.push(state, rows, n, value, ~doubt, doubt)
    kept = np.isfinite(state.ring[:, :, np.arange(END - 20, END + 3) % sy.RING])
    assert kept[1, 0].tolist() == [True] * (20 - sy.DOUBT) + [False] * (sy.DOUBT + 3)
    assert kept[1, 1].all()
    assert kept[3].all()


@pytest.mark.parametrize("gaps", [0.0, 0.1, 0.3])
def test_equal_to_the_plain_masked_reference(gaps: float) -> None:
    x = house_of(np.random.default_rng(3), 12, gaps)
    made = sy.synchrony(sums_of(filled(x)))
    for feature in range(2):
        expected = reference(x[:, :, feature].astype(np.float32).astype(np.float64))
        assert made.raw[feature] == pytest.approx(expected, abs=1e-5)
        assert sy.pairwise(x[:, :, feature]) == pytest.approx(expected, abs=1e-5)


def test_plain_sums_would_be_wrong_with_gaps() -> None:
    """The identity without masks gives 0.25 for a true 0.50 at 30 % gaps (MEASUREMENTS); ours must not."""
    x = house_of(np.random.default_rng(2), 50, 0.3)
    z, _ = sy.standardised(x[:, :, 0])
    n = len(z)
    plain = float(np.mean((z.sum(axis=0) ** 2 - (z * z).sum(axis=0)) / (n * (n - 1))))
    assert plain < 0.3
    assert sy.pairwise(x[:, :, 0]) > 0.42


def test_independent_listeners_are_near_zero() -> None:
    rng = np.random.default_rng(11)
    raw = [sy.synchrony(sums_of(filled(rng.normal(size=(40, sy.WINDOW, 2))))).raw for _ in range(20)]
    assert abs(np.mean(raw)) < 0.003


def test_owners_do_not_matter_to_the_bit() -> None:
    state = filled(house_of(np.random.default_rng(4), 300, 0.2))
    whole = sums_of(state)
    for owners in (3, 10):
        parts = [sums_of(state, np.arange(o, 300, owners)) for o in range(owners)]
        merged = sy.merge_sums(list(reversed(parts)))
        assert merged is not None
        for name in ("z", "zz", "valid"):
            np.testing.assert_array_equal(getattr(merged, name), getattr(whole, name))


def test_a_listener_alone_and_among_others_has_the_same_bits() -> None:
    state = filled(house_of(np.random.default_rng(5), 1000, 0.1))
    alone = sum(sy.window_sums(state, np.array([i]), END)[0] for i in range(1000))
    np.testing.assert_array_equal(alone, sy.window_sums(state, np.arange(1000), END)[0])


def test_merge_takes_the_newest_window_only() -> None:
    state = filled(house_of(np.random.default_rng(6), 20, 0.0))
    old, new = sums_of(state, end=END - sy.CYCLE), sums_of(state)
    merged = sy.merge_sums([new, None, old])
    assert merged is not None
    assert merged.end_ms == new.end_ms
    np.testing.assert_array_equal(merged.z, new.z)
    assert sy.merge_sums([None, None]) is None


def test_half_the_window_must_be_valid() -> None:
    x = house_of(np.random.default_rng(8), 3, 0.0)
    x[0, : sy.WINDOW // 2 + 1] = np.nan
    x[1, : sy.WINDOW // 2] = np.nan
    assert sy.window_sums(filled(x), np.arange(3), END)[2].max() == 2


def test_a_flat_signal_is_unlike_not_alike() -> None:
    """Resolution noise below the floor must not be blown up to one deviation."""
    rng = np.random.default_rng(9)
    x = np.full((20, sy.WINDOW, 2), [0.02, 70.0]) + 1e-4 * rng.normal(size=(1, sy.WINDOW, 2))
    assert float(sy.synchrony(sums_of(filled(x))).raw.max()) < 0.01


def test_samples_left_out_are_gaps() -> None:
    state = filled(house_of(np.random.default_rng(1), 4, 0.0))
    later = END + 20
    sy.push(state, np.array([0, 1]), later - 1, np.ones((2, 2)), np.ones((2, 2), np.bool_))
    count = sy.window_sums(state, np.arange(4), later)[2]
    assert count[0, : sy.WINDOW - 20].tolist() == [4] * (sy.WINDOW - 20)
    assert count[0, sy.WINDOW - 20 : -1].tolist() == [0] * 19
    assert count[0, -1] == 2


def test_a_listener_silent_for_minutes_is_not_counted() -> None:
    state = filled(house_of(np.random.default_rng(1), 4, 0.0))
    assert sy.window_sums(state, np.arange(4), END + 1000)[2].max() == 0


def run(
    window: sy.SynchronyWindow,
    state: sy.SynchronyState,
    rows: NDArray[np.intp],
    key: NDArray[np.uint64],
    tick_hz: float,
) -> list[SynchronySums]:
    """Ticks over three cycles from the window's end on; what was finished, in order."""
    made: list[SynchronySums] = []
    for k in range(round(9 * tick_hz)):
        cut_ms = END * sy.SAMPLE_MS + -(-1000 * k // round(tick_hz))
        done = window.advance(state, rows, key[rows], cut_ms)
        if done is not None and (not made or done.end_ms != made[-1].end_ms):
            made.append(done)
    return made


@pytest.mark.parametrize("tick_hz", [1.0, 4.0, 20.0, 44.0])
def test_staggered_work_is_the_whole_window(tick_hz: float) -> None:
    rng = np.random.default_rng(10)
    state = filled(house_of(rng, 130, 0.1))
    key = rng.integers(0, 1 << 63, 130).astype(np.uint64)
    made = run(sy.SynchronyWindow(), state, np.arange(130), key, tick_hz)
    assert [s.end_ms for s in made][:2] == [END * 250, END * 250 + sy.CYCLE_MS]
    np.testing.assert_array_equal(made[0].z, sums_of(state).z)
    np.testing.assert_array_equal(made[0].valid, sums_of(state).valid)


def test_no_tick_does_everybody() -> None:
    rng = np.random.default_rng(10)
    state = filled(house_of(rng, 200, 0.0))
    key = np.arange(200, dtype=np.uint64)
    window = sy.SynchronyWindow()
    counts = []
    for k in range(60):
        before = int(window.count[0, 0])
        window.advance(state, np.arange(200), key, END * 250 + 50 * k)
        counts.append(int(window.count[0, 0]) - before)
    assert max(counts) == 20, "a tenth"
    assert sum(counts) == 200


def test_a_saved_window_goes_on_with_the_same_bits() -> None:
    rng = np.random.default_rng(12)
    state = filled(house_of(rng, 90, 0.1))
    key, rows = rng.integers(0, 1 << 63, 90).astype(np.uint64), np.arange(90)
    first, second = sy.SynchronyWindow(), sy.SynchronyWindow()
    for k in range(60):
        first.advance(state, rows, key, END * 250 + 50 * k)
    second.load({name: array.copy() for name, array in first.arrays().items()})
    for k in range(60, 130):
        a = first.advance(state, rows, key, END * 250 + 50 * k)
        b = second.advance(state, rows, key, END * 250 + 50 * k)
        assert a is not None
        assert b is not None
        assert a.end_ms == b.end_ms
        np.testing.assert_array_equal(a.zz, b.zz)


def test_confidence_needs_more_than_two() -> None:
    rng = np.random.default_rng(13)
    two, five, fifty = (sy.synchrony(sums_of(filled(house_of(rng, n, 0.0)))).combined_confidence for n in (2, 5, 50))
    assert two == 0
    assert 0.5 < five < 0.7
    assert fifty > 0.95

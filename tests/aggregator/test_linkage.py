"""Live linkage: false alarms, planted followers, spread of work, checkpoints; per listener against numpy."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator import linkage, listener_linkage
from aggregator.linkage import LinkageTracker, linkage_test
from tests.aggregator.helper_series import HZ, delayed, slow

SEEDS = 200
MOST_FALSE_ALARMS = 15  # 5 % of 200 is 10; an honest test passes 15 once in 20 times (binomial, D), so seeds are fixed
SERIES = {
    "alike": (("smooth", 5.0), ("smooth", 5.0)),
    "sparse": (("smooth", 10.0), ("sparse", 3.0)),
    "drift": (("drift", 10.0), ("drift", 10.0)),
    "walk": (("walk", 1.0), ("once", 40.0)),
}


@pytest.mark.parametrize(
    ("seconds", "series"),
    [(180, "alike"), (180, "sparse"), (180, "drift"), (300, "walk"), (600, "alike"), (600, "sparse"), (600, "walk")],
)
def test_false_alarms_stay_nominal(seconds: int, series: str) -> None:
    """REFERENCES: independent series, at most 5 % at 0.05 over at least 200 seeds, at every length that is used."""
    house, performer = SERIES[series]
    rng = np.random.default_rng(seconds)
    shape = (SEEDS, seconds * HZ)
    a, b = slow(rng, shape, house[1], house[0]), slow(rng, shape, performer[1], performer[0])
    alarms = sum(linkage_test(x, y, seed)[1] <= 0.05 for seed, (x, y) in enumerate(zip(a, b, strict=True)))
    assert alarms <= MOST_FALSE_ALARMS, f"{alarms} of {SEEDS}"


def planted(rng: np.random.Generator, samples: int, lag_s: float, share: float) -> tuple[np.ndarray, np.ndarray]:
    """(house, performer): the house follows by lag_s with this share of its variance."""
    performer, own = slow(rng, (samples,), 5.0), slow(rng, (samples,), 5.0)
    return np.sqrt(share) * delayed(performer, lag_s) + np.sqrt(1 - share) * own, performer


@pytest.mark.parametrize("lag_s", [0.0, 3.0, 7.5])
def test_a_house_that_follows_is_found(lag_s: float) -> None:
    rng = np.random.default_rng(1)
    found = [linkage_test(*planted(rng, 600 * HZ, lag_s, 0.4), seed)[1] <= 0.01 for seed in range(20)]
    assert sum(found) >= 19


def test_a_house_that_leads_is_not_following() -> None:
    rng = np.random.default_rng(2)
    values = []
    for seed in range(20):
        house, performer = planted(rng, 600 * HZ, 30.0, 0.8)
        values.append(linkage_test(performer, house, seed)[1] <= 0.05)
    assert sum(values) <= 4


def test_gaps_are_bridged() -> None:
    rng = np.random.default_rng(3)
    house, performer = planted(rng, 600 * HZ, 3.0, 0.6)
    performer[rng.random(len(performer)) < 0.2] = np.nan
    house[400:480] = np.nan
    value, p = linkage_test(house, performer)
    assert value > 0.5
    assert p <= 0.01


def test_nothing_moves_is_not_linked() -> None:
    value, p = linkage_test(np.full(2400, 0.5), np.full(2400, 0.5))
    assert (value, p) == (0.0, 1.0)


def feed(tracker: LinkageTracker, house: np.ndarray, performer: np.ndarray, start: int = 0) -> None:
    for i, (h, p) in enumerate(zip(house, performer, strict=True), start):
        tracker.push(1_000_000_000 + 250 * i, float(h), {"cello": float(p)})


def test_the_tracker_says_nothing_before_180_s_and_finds_a_follower_after() -> None:
    house, performer = planted(np.random.default_rng(4), 400 * HZ, 2.0, 0.7)
    tracker = LinkageTracker()
    feed(tracker, house[: 175 * HZ], performer[: 175 * HZ])
    assert tracker.linkage("cello") == (0.0, 0.0)
    feed(tracker, house[175 * HZ :], performer[175 * HZ :], 175 * HZ)
    value, confidence = tracker.linkage("cello")
    assert value > 0.6
    assert confidence > 0.5
    assert tracker.linkage("viola") == (0.0, 0.0)


def test_a_performer_who_left_is_forgotten() -> None:
    house, performer = planted(np.random.default_rng(4), 300 * HZ, 2.0, 0.7)
    tracker = LinkageTracker()
    feed(tracker, house, performer)
    for i in range(300 * HZ, 920 * HZ):
        tracker.push(1_000_000_000 + 250 * i, 0.5, {})
    assert tracker.linkage("cello") == (0.0, 0.0)


def test_no_tick_draws_more_than_a_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    house, performer = planted(np.random.default_rng(5), 260 * HZ, 2.0, 0.7)
    drawn: list[int] = []
    work = linkage.SurrogateTest.work

    def counted(self: linkage.SurrogateTest, surrogates: int) -> bool:
        before = self.done
        over = work(self, surrogates)
        drawn.append(self.done - before)
        return over

    monkeypatch.setattr(linkage.SurrogateTest, "work", counted)
    tracker = LinkageTracker()
    feed(tracker, house, performer)
    assert max(drawn) == linkage.BATCH
    assert sum(drawn) >= linkage.SURROGATES


def test_a_saved_tracker_goes_on_with_the_same_bits() -> None:
    house, performer = planted(np.random.default_rng(6), 320 * HZ, 2.0, 0.25)
    first, second = LinkageTracker(), LinkageTracker()
    middle = 200 * HZ + 5  # a test is under way
    feed(first, house[:middle], performer[:middle])
    saved = first.arrays()
    assert "amplitude" in saved
    second.load({name: array.copy() for name, array in saved.items()})
    for tracker in (first, second):
        feed(tracker, house[middle:], performer[middle:], middle)
    assert first.linkage("cello") == second.linkage("cello")
    np.testing.assert_array_equal(first.arrays()["series"], second.arrays()["series"])


def run_listeners(
    x: np.ndarray, y: np.ndarray, h: np.ndarray, rows: np.ndarray | None = None, counted: int = 1000, place: int = 0
) -> listener_linkage.ListenerLinkage:
    """x (listeners, samples) with NaN gaps, all in ``rows`` of a state; performer and house (samples,)."""
    rows = np.arange(len(x)) if rows is None else rows
    ring = listener_linkage.ArousalRing.allocate(int(rows.max()) + 1)
    state = listener_linkage.ListenerLinkage.allocate(int(rows.max()) + 1)
    block, lags = listener_linkage.BLOCK, listener_linkage.LAGS
    for i in range(x.shape[1]):
        valid = np.isfinite(x[:, i])
        listener_linkage.push(ring, rows, i, np.where(valid, x[:, i], 0.5), valid)
        begin = i + 1 - block
        if (i + 1) % block == 0:
            keep = block + lags - 1
            early = np.concatenate([np.full(keep, np.nan), y[: i + 1]])
            performer = listener_linkage.high_passed(early, keep)
            house = listener_linkage.high_passed(h[: i + 1], block)
            made = listener_linkage.Block.of(begin - lags + 1, performer, house, counted)
            own = listener_linkage.taken(ring, rows, begin, i)
            listener_linkage.advance(state, rows, place, own, made)
    return state


def test_listeners_who_follow_stand_out_with_their_lag() -> None:
    rng = np.random.default_rng(7)
    n = 600 * HZ
    performer = slow(rng, (n,), 5.0)
    x = slow(rng, (30, n), 5.0)
    x[:10] = 0.8 * delayed(performer, 4.0) + 0.6 * x[:10]
    x[rng.random(x.shape) < 0.1] = np.nan
    state = run_listeners(0.5 + 0.1 * x, 0.5 + 0.1 * performer, np.zeros(n))
    value, lag = listener_linkage.correlation(state, slice(None), 0)
    np.testing.assert_array_equal(state.value[:, 0], value)
    np.testing.assert_array_equal(state.lag_s[:, 0], lag)
    assert value[:10].min() > 0.5
    assert np.median(value[10:]) < 0.35
    assert np.abs(np.median(lag[:10]) - 4.0) <= 0.5


def test_what_everybody_shares_is_removed() -> None:
    """All follow the performer through the house; three follow beyond it."""
    rng = np.random.default_rng(8)
    n = 600 * HZ
    common, extra = slow(rng, (n,), 5.0), slow(rng, (n,), 5.0)
    performer = common + extra
    x = common + 0.5 * slow(rng, (40, n), 5.0)
    x[:3] += extra
    state = run_listeners(x, performer, x.mean(axis=0), counted=40)
    plain, _ = listener_linkage.correlation(state, slice(None), 0)
    partial, _ = listener_linkage.correlation(state, slice(None), 0, house_removed=True)
    assert plain[3:].min() > 0.4
    assert np.median(partial[3:]) < 0.25
    assert partial[:3].min() > 0.5


def test_a_performer_whom_the_house_explains_leaves_nothing_to_compare() -> None:
    rng = np.random.default_rng(5)
    performer = slow(rng, (600 * HZ,), 5.0)
    x = performer + slow(rng, (20, 600 * HZ), 5.0)
    state = run_listeners(x, performer, performer, counted=10_000)
    assert state.value[:, 0].min() > 0.5
    assert np.abs(state.beyond[:, 0]).max() < 0.5
    assert np.median(state.beyond[:, 0]) < 0.25


def test_a_listener_alone_and_among_a_thousand_has_the_same_bits() -> None:
    rng = np.random.default_rng(9)
    x = slow(rng, (1000, 300), 5.0)
    y, h = slow(rng, (300,), 5.0), slow(rng, (300,), 5.0)
    many = run_listeners(x, y, h)
    alone = run_listeners(x[700:701], y, h, np.array([3]))
    for name, array in many.arrays().items():
        np.testing.assert_array_equal(array[700], alone.arrays()[name][3], err_msg=name)


def test_under_a_minute_says_nothing() -> None:
    x = np.tile(np.sin(np.arange(280) / 8), (2, 1))
    x[0, :41] = np.nan  # 239 samples
    state = run_listeners(x, x[1], np.zeros(280))
    assert state.seen[:, 0].tolist() == [239, 280]
    assert state.value[0, 0] == 0.0
    assert state.value[1, 0] > 0.9


def test_sums_are_running_means_of_the_products() -> None:
    """Against the definition, sample by sample: while less than the memory was seen, plain means."""
    rng = np.random.default_rng(4)
    x = 0.5 + 0.1 * rng.normal(size=(3, 80))
    x[1, 30:50] = np.nan
    y, h = 0.1 * rng.normal(size=80), 0.1 * rng.normal(size=80)
    state = run_listeners(x, y, h, counted=5, place=2)
    ring = listener_linkage.high_passed
    performer, house = ring(y, 80), ring(h, 80)
    for i in range(3):
        own = ring(x[i], 80)
        at = np.flatnonzero(np.isfinite(x[i]))
        others = (5 * house[at] - own[at]) / 4
        for lag in (0, 7, 32):
            late = np.where(at >= lag, performer[at - lag], 0.0)
            assert state.xy[i, 2, lag] == pytest.approx(np.mean(own[at] * late), abs=1e-6)
            assert state.hy[i, 2, lag] == pytest.approx(np.mean(others * late), abs=1e-6)
        assert state.xx[i, 2] == pytest.approx(np.mean(own[at] ** 2), abs=1e-6)
        assert state.hh[i, 2] == pytest.approx(np.mean(others**2), abs=1e-6)
        assert state.xh[i, 2] == pytest.approx(np.mean(own[at] * others), abs=1e-6)
    assert not state.xy[:, [0, 1, 3]].any()


def test_samples_no_longer_or_not_yet_in_the_ring_are_gaps() -> None:
    ring, rows = listener_linkage.ArousalRing.allocate(1), np.array([0])
    for n in range(300):
        listener_linkage.push(ring, rows, n, np.array([0.5 + 0.001 * (n % 7)]), np.ones(1, np.bool_))
    block = listener_linkage.BLOCK
    assert np.isfinite(listener_linkage.taken(ring, rows, 299 - block + 1, 299)).all()
    assert np.isfinite(listener_linkage.taken(ring, rows, 152, 299)).sum() == 152 + block - 172
    assert np.isfinite(listener_linkage.taken(ring, rows, 290, 299)).sum() == 10
    assert np.isnan(listener_linkage.taken(ring, rows, 0, 299)).all()
    listener_linkage.skip(ring, 299, 303)  # fewer ticks than samples
    listener_linkage.push(ring, rows, 303, np.array([0.5]), np.ones(1, np.bool_))
    assert np.isfinite(listener_linkage.taken(ring, rows, 264, 303)).sum() == 37


def test_strangers_are_rarely_alike() -> None:
    """What the page says of chance: one listener in twenty reaches 0.4, with and without the house's response."""
    rng = np.random.default_rng(12)
    found = []
    for _ in range(4):
        x, y = slow(rng, (60, 300 * HZ), 5.0), slow(rng, (300 * HZ,), 5.0)
        state = run_listeners(0.5 + 0.1 * x, 0.5 + 0.1 * y, 0.5 + 0.1 * x.mean(axis=0), counted=60)
        found.append(np.stack([state.value[:, 0], state.beyond[:, 0]]))
    value, beyond = np.concatenate(found, axis=1)
    assert np.mean(value > 0.4) <= 0.06
    assert np.mean(beyond > 0.4) <= 0.06
    assert -0.3 < np.median(value) < 0.2

"""Merging and publication: equal bits for any owners, slew and glides, held shards, notices, checkpoints."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from aggregator.merger import Merger, merge
from aggregator.snapshot import PerformerValue, SeatState, Snapshot
from relay.seat_plan import generated
from tests.aggregator.helper_parts import SHARDS, Audience

HZ = 20.0
STEP = 0.5 / HZ + 1e-6  # contract 11, plus what float32 rounds
SEATS = 240


def audience(seed: int = 1, listeners: int = 200) -> Audience:
    rng = np.random.default_rng(seed)
    return Audience(generated(SEATS), rng.uniform(0.2, 0.8, listeners), rng.uniform(0.4, 1.0, listeners))


def assert_same(a: Snapshot, b: Snapshot) -> None:
    for name in ("arousal", "confidence", "state", "states"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    assert a.house == b.house
    assert a.sections == b.sections
    assert a.performers == b.performers
    assert (a.notices, a.missing, a.sequence) == (b.notices, b.missing, b.sequence)


def assert_smooth(before: Snapshot, now: Snapshot) -> None:
    """Contract 11: at most 0.5 a second for every seat, section and the house; never NaN; all in [0, 1]."""
    assert np.isfinite(now.arousal).all()
    assert np.abs(now.arousal - before.arousal).max() <= STEP
    assert 0 <= now.arousal.min() <= now.arousal.max() <= 1
    assert 0 <= now.confidence.min() <= now.confidence.max() <= 1
    pairs = zip(
        (before.house, *(e for _, e in before.sections)), (now.house, *(e for _, e in now.sections)), strict=True
    )
    for old, new in pairs:
        for name in ("arousal", "p10", "p50", "p90", "low", "high"):
            assert abs(getattr(new, name) - getattr(old, name)) <= STEP, name
        assert new.low <= new.arousal <= new.high
        assert new.p10 <= new.p50 <= new.p90


def smooth(snapshots: Iterator[Snapshot]) -> Snapshot:
    """All of them, checked one against the next; returns the last."""
    before = next(snapshots)
    for now in snapshots:
        assert_smooth(before, now)
        before = now
    return before


def test_bits_do_not_depend_on_owners_or_their_order() -> None:
    rng = np.random.default_rng(2)
    people = audience()
    mergers = [Merger(people.plan, tick_hz=HZ) for _ in range(3)]
    for k in range(60):
        people.own += rng.normal(0, 0.01, len(people.own))
        people.own = np.clip(people.own, 0.0, 1.0)
        made = []
        for merger, owners in zip(mergers, (1, 3, 10), strict=True):
            parts = people.parts(k, owners)
            rng.shuffle(parts)
            made.append(merger.publish(parts))
        assert_same(made[0], made[1])
        assert_same(made[0], made[2])


def test_counters_add_up() -> None:
    assert merge(audience().parts(1, 3)).counters == {"packets": 7 * SHARDS}


def test_parts_of_two_ticks_or_one_shard_twice_are_refused() -> None:
    people = audience()
    for parts in ([], [people.part(1, (0,)), people.part(2, (1,))], [people.part(1, (0, 1)), people.part(1, (1,))]):
        with pytest.raises(ValueError, match="merge"):
            merge(parts)


def test_a_seat_named_twice_is_the_more_trusted_one() -> None:
    people, other = audience(), audience(seed=9)
    a, b = people.part(1, (0, 1)), other.part(1, (1, 2))
    object.__setattr__(b, "shards", (2,))
    for parts in ([a, b], [b, a]):
        merged = merge(parts)
        assert len(np.unique(merged.seat)) == len(merged.seat)
        both = np.isin(merged.seat, a.seat) & np.isin(merged.seat, b.seat)
        expected = np.maximum(a.confidence[np.isin(a.seat, b.seat)], b.confidence[np.isin(b.seat, a.seat)])
        np.testing.assert_array_equal(merged.confidence[both], expected)


def test_a_seat_beyond_the_plan_is_refused() -> None:
    people = audience(listeners=SEATS)
    with pytest.raises(ValueError, match="seat: found"):
        Merger(generated(10), tick_hz=HZ).publish(people.parts(1))


def test_values_arrive_and_nothing_jumps_when_they_step() -> None:
    people = audience()
    merger = Merger(people.plan, tick_hz=HZ)

    def evening() -> Iterator[Snapshot]:
        for k in range(120):
            if k == 60:
                people.own = 1.0 - people.own  # everybody at once
            yield merger.publish(people.parts(k))

    last = smooth(evening())
    np.testing.assert_allclose(last.arousal[:200], people.own, atol=1e-6)
    np.testing.assert_array_equal(last.confidence[:200], people.confidence.astype(np.float32))
    assert last.confidence[200:].max() == 0
    assert set(last.state[200:]) == {SeatState.ABSENT}
    np.testing.assert_allclose(last.arousal[200:], last.house.arousal, atol=1e-6)


def test_published_is_own_faded_to_the_house() -> None:
    people = audience()
    people.fade[:50] = 0.75
    merger = Merger(people.plan, tick_hz=HZ)
    for k in range(60):
        made = merger.publish(people.parts(k))
    expected = 0.25 * people.own[:50] + 0.75 * made.house.arousal
    np.testing.assert_allclose(made.arousal[:50], expected, atol=1e-6)
    np.testing.assert_allclose(made.confidence[:50], 0.25 * people.confidence[:50], atol=1e-6)


def test_the_house_does_not_jump_when_half_of_it_drops_out() -> None:
    """Half the house, the excited half, fades over 6 s: weight falls with confidence."""
    people = audience()
    people.own = np.where(np.arange(200) < 100, 0.8, 0.4) + np.random.default_rng(1).normal(0, 0.02, 200)
    people.confidence[:] = 0.9
    merger = Merger(people.plan, tick_hz=HZ)

    def evening() -> Iterator[Snapshot]:
        for k in range(300):
            if k >= 60:
                people.state[:100] = SeatState.FADING
                people.fade[:100] = min((k - 60) / (6 * HZ), 1.0)
            yield merger.publish(people.parts(k))

    last = smooth(evening())
    assert last.house.arousal == pytest.approx(0.4, abs=0.01)


def test_an_empty_house_glides_to_rest_and_says_so() -> None:
    people = audience()
    people.own[:] = 0.9
    merger = Merger(people.plan, tick_hz=HZ)

    def evening() -> Iterator[Snapshot]:
        for k in range(60):
            yield merger.publish(people.parts(k))
        people.confidence[:], people.fade[:], people.state[:] = 0.0, 1.0, SeatState.LOST
        for k in range(60, 240):
            yield merger.publish(people.parts(k))

    last = smooth(evening())
    assert last.house.arousal == pytest.approx(0.5, abs=1e-9)
    assert (last.house.confidence, last.house.counted) == (0.0, 0)
    assert any("Nobody is measured" in said for said in last.notices)


def test_an_empty_section_shows_the_house() -> None:
    people = audience(listeners=70)  # only the first section has listeners
    merger = Merger(people.plan, tick_hz=HZ)
    for k in range(100):
        made = merger.publish(people.parts(k))
    _, last = made.sections[-1]
    assert last.arousal == pytest.approx(made.house.arousal)
    assert (last.confidence, last.counted) == (0.0, 0)


def test_missing_shards_are_held_then_fade_and_come_back() -> None:
    people = audience()
    merger = Merger(people.plan, tick_hz=HZ)
    gone = tuple(range(0, SHARDS, 2))
    mine = np.isin(np.arange(1, 201) % SHARDS, gone)
    people.own = np.where(mine, 0.75, 0.35)
    seen: list[Snapshot] = []

    def evening() -> Iterator[Snapshot]:
        for k in range(600):
            out = gone if 100 <= k < 400 else ()
            seen.append(merger.publish(people.parts(k, 2, without=out), missing=out))
            yield seen[-1]

    smooth(evening())
    held = seen[100 + round(3.5 * HZ)]
    assert set(held.state[:200][mine]) == {SeatState.HELD}
    np.testing.assert_array_equal(held.confidence[:200], people.confidence.astype(np.float32))
    assert held.house.arousal == pytest.approx(seen[99].house.arousal, abs=1e-9)
    assert held.missing == gone
    assert "Partial" in held.notices[0]
    lost = seen[399]
    assert set(lost.state[:200][mine]) == {SeatState.LOST}
    assert lost.confidence[:200][mine].max() == 0
    np.testing.assert_allclose(lost.arousal[:200][mine], lost.house.arousal, atol=1e-6)
    assert lost.house.arousal == pytest.approx(0.35, abs=0.01)
    back = seen[-1]
    np.testing.assert_allclose(back.arousal[:200], people.own, atol=1e-6)
    assert set(back.state[:200]) == {SeatState.FOLLOWING}


def test_a_listener_who_withdraws_is_absent_at_once_without_a_jump() -> None:
    people = audience()
    merger = Merger(people.plan, tick_hz=HZ)
    for k in range(60):
        before = merger.publish(people.parts(k))
    fewer = Audience(people.plan, people.own[:199], people.confidence[:199])
    made = merger.publish(fewer.parts(60))
    assert_smooth(before, made)
    assert made.state[199] == SeatState.ABSENT
    assert made.confidence[199] == 0


def test_slope_of_a_steady_rise() -> None:
    people = audience()
    merger = Merger(people.plan, tick_hz=HZ)
    for k in range(160):
        people.own[:] = 0.4 + 0.03 * max(0, k - 60) / HZ
        made = merger.publish(people.parts(k))
    assert made.house.slope == pytest.approx(0.03, abs=1e-3)
    for k in range(160, 240):
        made = merger.publish(people.parts(k))
    assert made.house.slope == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("moving", "lowered"), [(True, True), (False, False)])
def test_blanks_that_move_with_the_house_lower_its_confidence(moving: bool, lowered: bool) -> None:
    """Light in the optical sensors: what nobody wears says the same as the house."""
    people = audience()
    rng = np.random.default_rng(4)
    merger, last = Merger(people.plan, tick_hz=HZ), 0.0
    for k in range(round(70 * HZ)):
        light = 0.15 * np.sin(2 * np.pi * k / HZ / 17)
        people.own[:] = 0.5 + light
        people.blank = np.full(4, 0.5 + (light if moving else 0.0)) + rng.normal(0, 0.005, 4)
        made = merger.publish(people.parts(k))
        last = made.house.confidence
    assert any("without a finger" in said for said in made.notices) is lowered
    assert (last < 0.3) is lowered


def test_few_usable_listeners_are_counted_not_hidden() -> None:
    people = audience()
    people.confidence[40:] = 0.0
    made = Merger(people.plan, tick_hz=HZ).publish(people.parts(0))
    assert "Only 40 of 200 listeners present can be measured." in made.notices
    assert made.house.counted == 40


def test_sequence_rises_and_performers_pass_through() -> None:
    people = audience()
    people.performers = (PerformerValue("cello", 0.7, 0.9, int(SeatState.FOLLOWING)),)
    merger = Merger(people.plan, tick_hz=HZ, epoch=5)
    made = [merger.publish(people.parts(k)) for k in range(3)]
    assert [s.sequence for s in made] == [1, 2, 3]
    assert {s.epoch for s in made} == {5}
    assert made[-1].performers[0].arousal == 0.7
    assert made[-1].performers[0].linkage == (0.0, 0.0)


def test_a_warm_follower_goes_on_with_the_same_bits() -> None:
    people, rng = audience(), np.random.default_rng(6)
    people.performers = (PerformerValue("cello", 0.7, 0.9, int(SeatState.FOLLOWING)),)
    first, second = Merger(people.plan, tick_hz=HZ, epoch=2), Merger(people.plan, tick_hz=HZ)
    for k in range(200):
        people.own = np.clip(people.own + rng.normal(0, 0.02, 200), 0, 1)
        gone = (3,) if 40 < k < 60 or k > 150 else ()
        a = first.publish(people.parts(k, 4, without=gone), missing=gone)
        if k == 160:
            second.load({name: array.copy() for name, array in first.arrays().items()})
        if k > 160:
            assert_same(a, second.publish(people.parts(k, 4, without=gone), missing=gone))


def test_a_checkpoint_of_another_plan_is_refused() -> None:
    saved = Merger(generated(SEATS), tick_hz=HZ).arrays()
    with pytest.raises(ValueError, match="saved"):
        Merger(generated(SEATS + 1), tick_hz=HZ).load(saved)
    with pytest.raises(ValueError, match="saved"):
        Merger(generated(SEATS), tick_hz=10.0).load(saved)

"""Contract 11, with its times."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from aggregator.snapshot import SeatState
from aggregator.states import Reading, SeatStates, advance, heard

TICK_MS = 50


class Seat:
    """One seat driven tick by tick."""

    def __init__(self) -> None:
        self.states = SeatStates.allocate(1)
        self.now = 1_000_000
        self.contact = self.ready = self.allowed = True
        self.resting = False
        self.arousal, self.confidence = 0.7, 0.8

    def run(self, seconds: float, *, talking: bool) -> list[tuple[SeatState, float]]:
        """State and fade after each tick."""
        seen = []
        for _ in range(round(seconds * 1000 / TICK_MS)):
            self.now += TICK_MS
            if talking:
                heard(self.states, np.array([0]), np.array([self.now - 10]))
            one = np.ones(1, np.bool_)
            reading = Reading(
                one & self.contact, one & self.ready, one & self.resting,
                np.array([self.arousal]), np.array([self.confidence]),
            )  # fmt: skip
            advance(self.states, slice(0, 1), reading, one & self.allowed, self.now, TICK_MS)
            seen.append((SeatState(int(self.states.state[0])), float(self.states.fade[0])))
        return seen


def spans(seen: list[tuple[SeatState, float]]) -> list[tuple[SeatState, float]]:
    """(state, seconds in it), in order."""
    made: list[tuple[SeatState, float]] = []
    for state, _ in seen:
        if made and made[-1][0] is state:
            made[-1] = (state, made[-1][1] + TICK_MS / 1000)
        else:
            made.append((state, TICK_MS / 1000))
    return made


def test_silence_runs_through_held_fading_lost_absent() -> None:
    seat = Seat()
    seat.run(10, talking=True)
    after = spans(seat.run(130, talking=False))
    assert [s for s, _ in after] == [
        SeatState.FOLLOWING, SeatState.HELD, SeatState.FADING, SeatState.LOST, SeatState.ABSENT,
    ]  # fmt: skip
    assert [t for _, t in after[:4]] == pytest.approx([1.5, 4.0, 6.0, 108.5], abs=2 * TICK_MS / 1000)


@pytest.mark.parametrize(("gone_s", "state"), [(1.0, SeatState.FOLLOWING), (3.0, SeatState.HELD),
                                               (10.0, SeatState.FADING), (15.0, SeatState.LOST)])  # fmt: skip
def test_coming_back_glides_home_in_three_seconds(gone_s: float, state: SeatState) -> None:
    seat = Seat()
    seat.run(10, talking=True)
    gone = seat.run(gone_s, talking=False)
    assert gone[-1][0] is state
    back = seat.run(4, talking=True)
    assert {s for s, _ in back} == {SeatState.FOLLOWING}
    fades = [f for _, f in gone + back]
    assert fades[-1] == 0.0
    assert sum(f > 0 for _, f in back) * TICK_MS <= 3000
    assert max(abs(b - a) for a, b in pairwise(fades)) <= TICK_MS / 3000 + 1e-12


def test_fade_is_whole_when_lost_begins_and_none_while_held() -> None:
    seat = Seat()
    seat.run(10, talking=True)
    seen = seat.run(20, talking=False)
    assert {f for s, f in seen if s is SeatState.HELD} == {0.0}
    assert next(f for s, f in seen if s is SeatState.LOST) == pytest.approx(1.0)


def test_own_value_freezes_while_held_and_after() -> None:
    seat = Seat()
    seat.run(10, talking=True)
    seat.arousal, seat.confidence = 0.2, 0.1
    seat.run(1.4, talking=False)
    seat.run(8, talking=False)
    live_until = float(seat.states.own[0])
    seat.arousal = 0.9
    seat.run(5, talking=False)
    assert float(seat.states.own[0]) == live_until
    assert float(seat.states.confidence[0]) == pytest.approx(0.1)


def test_without_a_baseline_the_seat_settles_and_shows_the_fallback() -> None:
    seat = Seat()
    seat.ready = False
    assert set(seat.run(5, talking=True)) == {(SeatState.SETTLING, 1.0)}
    assert float(seat.states.own[0]) == 0.5
    seat.ready = True
    after = seat.run(4, talking=True)
    assert after[0][0] is SeatState.FOLLOWING
    assert after[-1][1] == 0.0


def test_resting_is_following_in_a_part_that_takes_a_baseline() -> None:
    seat = Seat()
    seat.resting = True
    assert {s for s, _ in seat.run(2, talking=True)} == {SeatState.RESTING}


def test_no_finger_is_no_contact_and_glides_like_silence() -> None:
    seat = Seat()
    seat.run(10, talking=True)
    seat.contact = False
    seen = seat.run(13, talking=True)
    assert [s for s, _ in spans(seen)] == [SeatState.FOLLOWING, SeatState.NO_CONTACT]
    assert seen[round(5.3 * 20)][1] == 0.0
    assert seen[-1][1] == pytest.approx(1.0)
    seat.contact = True
    assert seat.run(4, talking=True)[-1] == (SeatState.FOLLOWING, 0.0)


def test_mute_glides_away_and_back() -> None:
    seat = Seat()
    seat.run(10, talking=True)
    seat.states.muted[0] = True
    seen = seat.run(3.5, talking=True)
    assert {s for s, _ in seen} == {SeatState.MUTED}
    assert seen[-1][1] == 1.0
    seat.states.muted[0] = False
    assert seat.run(3.5, talking=True)[-1] == (SeatState.FOLLOWING, 0.0)


def test_declined_departed_and_empty_are_absent_alike() -> None:
    seat = Seat()
    assert seat.run(1, talking=False)[-1] == (SeatState.ABSENT, 1.0)
    seat.run(5, talking=True)
    seat.allowed = False
    assert {s for s, _ in seat.run(1, talking=True)} == {SeatState.ABSENT}
    seat.allowed = True
    seat.states.left[0] = True
    assert {s for s, _ in seat.run(1, talking=False)} == {SeatState.ABSENT}
    assert seat.run(1, talking=True)[-1][0] is SeatState.FOLLOWING


def test_one_among_many_has_the_same_bits() -> None:
    rng = np.random.default_rng(4)
    alone, many = SeatStates.allocate(1), SeatStates.allocate(50)
    now = 0
    for _ in range(600):
        now += TICK_MS
        talks, contact = rng.random(50) < 0.05, rng.random(50) < 0.9
        heard(many, np.flatnonzero(talks), np.full(int(talks.sum()), now - 5))
        if talks[17]:
            heard(alone, np.array([0]), np.array([now - 5]))
        arousal, confidence = rng.random(50), rng.random(50)
        yes = np.ones(50, np.bool_)
        advance(many, slice(0, 50), Reading(contact, yes, ~yes, arousal, confidence), yes, now, TICK_MS)
        one = Reading(contact[17:18], yes[:1], ~yes[:1], arousal[17:18], confidence[17:18])
        advance(alone, slice(0, 1), one, yes[:1], now, TICK_MS)
        for name, column in alone.arrays().items():
            assert np.array_equal(column[0], many.arrays()[name][17]), name

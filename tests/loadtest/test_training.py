"""The training's plan: repeatable, one fault of each kind, the right phones away, and told in full."""

from __future__ import annotations

import itertools

import pytest

from loadtest.training import KINDS, Fault, Kind, Outcome, account, plan, right, rows_of, summary
from relay.parts import PARTS
from relay.seat_plan import generated

HALL = generated(120)


def fault(key: str, seed: int = 1) -> Fault:
    return next(f for f in plan(HALL, seed, 30.0).faults if f.kind.key == key)


def kind(key: str) -> Kind:
    return next(k for k in KINDS if k.key == key)


def test_the_same_seed_is_the_same_training() -> None:
    assert plan(HALL, 7, 30.0) == plan(HALL, 7, 30.0)


def test_order_and_moments_depend_on_the_seed() -> None:
    orders = {tuple(f.kind.key for f in plan(HALL, seed, 30.0).faults) for seed in range(20)}
    assert len(orders) > 5
    assert len({plan(HALL, seed, 30.0).faults[0].start_s for seed in range(20)}) == 20


@pytest.mark.parametrize("seed", range(5))
def test_one_of_each_kind_one_after_the_other(seed: int) -> None:
    made = plan(HALL, seed, 30.0)
    assert sorted(f.kind.key for f in made.faults) == sorted(k.key for k in KINDS)
    for a, b in itertools.pairwise(made.faults):
        assert b.start_s > a.start_s + a.window_s
    assert made.length_s > made.faults[-1].start_s + 30.0
    assert made.faults[0].start_s > 30.0


def test_no_window() -> None:
    with pytest.raises(ValueError, match="window: found 0"):
        plan(HALL, 1, 0.0)


def test_a_row_is_a_row_of_the_plan() -> None:
    silent = fault("row")
    assert silent.rows in rows_of(HALL).values()
    assert {HALL.labels[r].rstrip("0123456789") for r in silent.rows} == {silent.name}
    assert silent.away(-0.1) == frozenset()
    assert silent.away(0.0) == silent.away(29.0) == frozenset(silent.rows)


def test_an_access_point_takes_a_section_and_gives_it_back_at_once() -> None:
    lost = fault("access point")
    (section,) = {int(HALL.section[r]) for r in lost.rows}
    assert len(lost.rows) == int((HALL.section == section).sum())
    assert lost.away(14.9) == frozenset(lost.rows)
    assert lost.away(15.1) == frozenset()


@pytest.mark.parametrize("window_s", [2.0, 3.0, 30.0])
def test_seats_are_back_before_the_next_fault(window_s: float) -> None:
    """A return takes up to a packet and 3 s: with 1 s between them, the page showed nothing new of the next fault."""
    for seed in range(10):
        for a, b in itertools.pairwise(plan(HALL, seed, window_s).faults):
            assert b.start_s - (a.start_s + a.window_s) >= 5.0


@pytest.mark.parametrize(("window_s", "away_s"), [(2.0, 2.0), (3.0, 3.0), (5.0, 3.0), (8.0, 4.0)])
def test_a_short_window_still_shows_an_access_point(window_s: float, away_s: float) -> None:
    """A seat turns hollow after 1.5 s: half of a short window would be told of and never seen."""
    (lost,) = (f for f in plan(HALL, 3, window_s).faults if f.kind.key == "access point")
    assert lost.away(away_s - 0.01) == frozenset(lost.rows)
    assert lost.away(away_s + 0.01) == frozenset()


@pytest.mark.parametrize(("key", "share"), [("alarm", 0.7), ("phones dying", 0.4)])
def test_some_faults_grow(key: str, share: float) -> None:
    growing = fault(key)
    sizes = [len(growing.away(t)) for t in range(31)]
    assert sizes == sorted(sizes)
    assert sizes[0] == 0
    assert 0 < sizes[8] < sizes[-1] == round(share * HALL.seats)


def test_pages_are_hidden_together() -> None:
    assert len(fault("interval").away(0.0)) == round(0.8 * HALL.seats)


def test_in_an_alarm_everybody_moves() -> None:
    made = plan(HALL, 3, 30.0)
    (moving,) = made.happenings()
    alarm = next(f for f in made.faults if f.kind.key == "alarm")
    assert (moving.start_s, moving.stop_s) == (alarm.start_s, alarm.start_s + 20.0)


@pytest.mark.parametrize("one", KINDS, ids=lambda k: k.key)
def test_every_kind_tells_what_to_do(one: Kind) -> None:
    assert len(one.do) > 40
    assert right(one, one.key.upper())
    assert not right(one, "a cow")
    assert right(one, " ") is None
    assert one.part == "" or not PARTS[one.part].open


def test_guesses_do_not_fit_two_kinds() -> None:
    for a, b in itertools.permutations(KINDS, 2):
        assert not right(a, b.key), (a.key, b.key)


def test_account_of_a_noticed_fault() -> None:
    told = account(Outcome(fault("row"), 7.2, "you pressed Enter", "a row?", "counted 120 falling to 105"))
    assert told[0].startswith("It was: row ")
    assert told[1] == "Noticed after 7 s (you pressed Enter); your guess was right."
    assert told[2] == "The page showed: counted 120 falling to 105."
    assert told[3].startswith("What to do: Nothing for the show")


def test_account_of_a_fault_that_nobody_noticed() -> None:
    told = account(Outcome(fault("interval"), None))
    assert told[1] == "Not noticed within 30 s."
    assert "you guessed 'cow'" in account(Outcome(fault("interval"), 3.0, "you pressed Enter", "cow"))[1]


def test_summary() -> None:
    lines = summary([Outcome(fault("row"), 7.2, "", "row"), Outcome(fault("alarm"), None)], 2)
    assert lines == [
        "1. row           noticed after 7 s, named rightly",
        "2. alarm         not noticed",
        "1 of 2 faults noticed, 2 false alarms",
    ]

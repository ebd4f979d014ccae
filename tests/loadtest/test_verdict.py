from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from loadtest.scenario import Objectives
from loadtest.verdict import SAYS, Outcome, headroom, judge, outcome


def test_every_objective_has_its_words() -> None:
    assert set(SAYS) == {f.name for f in dataclasses.fields(Objectives)}


@pytest.mark.parametrize("name", [f.name for f in dataclasses.fields(Objectives)])
def test_each_objective_can_hold_and_break(name: str) -> None:
    goal = Objectives(**{name: 0.5})
    lower, higher = judge(goal, {name: 0.4}), judge(goal, {name: 0.6})
    at_least = name == "coverage"
    assert (lower[0].passed, higher[0].passed) == (not at_least, at_least)
    assert judge(goal, {name: 0.5})[0].passed
    for nothing in ({}, {name: None}, {name: float("nan")}):
        assert not judge(goal, nothing)[0].passed
        assert "nothing was measured" in judge(goal, nothing)[0].sentence


def test_exit_codes() -> None:
    good, bad = judge(Objectives(ack_p99_ms=5.0), {"ack_p99_ms": 4.0}), judge(Objectives(ack_p99_ms=5.0), {})
    assert [int(outcome(j, v)) for j, v in ((good, []), (bad, []), (good, ["late"]), (bad, ["late"]))] == [0, 1, 3, 3]
    assert outcome([], []) is Outcome.GREEN


def test_headroom_of_a_known_line() -> None:
    """0.1 of a core empty and 0.0001 a phone: four fifths are used at 7,000 phones."""
    phones = np.linspace(100, 3000, 60)
    share = 0.1 + 1e-4 * phones + np.random.default_rng(1).normal(0, 0.01, 60)
    made = headroom(phones, share)
    assert made is not None
    assert made.low <= 7000 <= made.high
    assert made.fits == pytest.approx(7000, rel=0.1)
    assert made.a_phone == pytest.approx(1e-4, rel=0.1)
    assert "about" in made.sentence


def test_headroom_at_one_load_takes_the_careful_side() -> None:
    made = headroom(np.full(30, 1000.0), np.random.default_rng(1).normal(0.4, 0.02, 30))
    assert made is not None
    assert made.fits == pytest.approx(2000, rel=0.05)
    assert made.low < made.fits < made.high


def test_no_headroom_from_nothing() -> None:
    assert headroom(np.full(5, 10.0), np.full(5, 0.1)) is None
    assert headroom(np.full(50, 10.0), np.full(50, np.nan)) is None

"""The negative control: sensors without a finger, through engine and merger, and its arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.blank_control import CLAIMED, RELEASE_S, WINDOW, BlankControl, penalty
from aggregator.listeners import Role
from aggregator.merger import Merger
from aggregator.snapshot import PartSnapshot, Snapshot
from loadtest.people import Traits
from loadtest.physiology import Audience
from loadtest.programme import EveningPart, Happening, Moment, Programme
from tests.aggregator.helper_engine import Drive, engine, evening
from tests.aggregator.helper_hall import SLOW_HZ, Phones, numbered, parts_of, slow_engine
from tests.aggregator.helper_signals import Phone

LISTENERS, BLANKS = 20, 4
START_S, STOP_S, LENGTH_S = 60.0, 106.0, 110.0
MUSIC = (Moment(58.0, 12.0, 8.0, 14.0, 0.8),)
SAID = "without a finger"


def show(kind: str, moments: tuple[Moment, ...] = ()) -> list[Snapshot]:
    """What is published, a tick each: a house with blanks among it, all optical sensors open to light."""
    parts = (EveningPart(0.0, "rest", "Rest"), EveningPart(44.0, "piece", "Piece"))
    programme = Programme("A test", LENGTH_S, parts, moments)
    if kind:
        programme = programme.with_happenings(Happening(kind, START_S, STOP_S))
    roles = ["audience"] * LISTENERS + ["blank"] * BLANKS
    audience = Audience(len(roles), 3, programme, traits=Traits(leak_share=1.0), roles=roles)
    tape = parts_of(programme)
    Phones(audience, numbered(0, len(roles)), 1).come(tape, LENGTH_S)
    made = slow_engine(len(roles))
    merger, published = Merger(made.plan, tick_hz=SLOW_HZ), []

    def publish(part: PartSnapshot) -> None:
        published.append(merger.publish([part]))

    Drive(made, tape.entries).run(LENGTH_S, publish)
    return published


def after(published: list[Snapshot], start_s: float, stop_s: float) -> list[Snapshot]:
    return published[round(start_s * SLOW_HZ) : round(stop_s * SLOW_HZ)]


def test_light_in_everybodys_sensors_takes_confidence_and_the_page_says_why() -> None:
    """The issue: when blanks move with the house, the house's confidence falls and the page says why."""
    made = show("light")
    before, during = after(made, 50.0, START_S), after(made, START_S + 40.0, STOP_S)
    assert min(s.house.confidence for s in before) > 0.8
    assert max(s.house.confidence for s in during) < 0.5
    assert max(s.house.synchrony_confidence for s in during) < 0.5 < before[-1].house.synchrony_confidence
    assert all(any(SAID in said for said in s.notices) for s in during)


@pytest.mark.parametrize(("kind", "moments"), [("", MUSIC), ("bass", ())], ids=["music", "bass that moves nobody"])
def test_without_a_leak_nothing_is_taken(kind: str, moments: tuple[Moment, ...]) -> None:
    """Neither by what listeners feel in common, nor by bass that only the blanks take for a pulse."""
    made = after(show(kind, moments), 50.0, LENGTH_S)
    assert not any(SAID in said for s in made for said in s.notices)
    assert moments or min(s.house.confidence for s in made) > 0.8


def test_a_blank_counts_whatever_its_quality_and_movement() -> None:
    """Its features are in the windows that a listener's would be kept out of."""
    phones = [Phone(1, seat=1), Phone(2, seat=2, role="blank")]
    drive = Drive(engine(2), evening(phones, 20).entries)
    drive.run(15)
    made = drive.engine
    rows = [made.listeners.row_of[number] for number in (1, 2)]
    assert made.listeners.table.role[rows].tolist() == [Role.AUDIENCE, Role.BLANK]
    for _ in range(20):
        made.chains.fusion.artefact_s[rows] = 2.0
        drive.run(0.1)
    newest = made.alike.state.ring[rows, :, (made.cut // 250) % made.alike.state.ring.shape[2]]
    assert not np.isfinite(newest[0]).any()
    assert np.isfinite(newest[1]).all()
    assert drive.run(0.1)[-1].blank_weights.sum() == 255


def steps(*spans: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """House and claim over a window: each span (share of the window, level 0 or 1)."""
    level = np.concatenate([np.full(round(share * WINDOW), up) for share, up in spans])
    return 0.5 + 0.06 * level, 0.05 + 0.9 * level


def test_the_penalty_grows_with_likeness_with_the_houses_movement_and_with_the_claim() -> None:
    house, claim = steps((0.5, 0.0), (0.5, 1.0))
    rng = np.random.default_rng(1)
    assert penalty(house, claim) == 1.0
    assert penalty(1.0 - house, claim) == 1.0
    assert penalty(0.5 + (house - 0.5) / 8, claim) == 0.0
    assert penalty(house, claim / 20) == 0.0
    assert 0.0 < penalty(0.5 + (house - 0.5) / 2, claim) < 1.0
    assert penalty(rng.normal(0.5, 0.05, WINDOW), claim) == 0.0
    assert penalty(house[:79], claim[:79]) == 0.0
    assert penalty(np.full(WINDOW, np.nan), claim) == 0.0


def push(control: BlankControl, house: np.ndarray, claim: np.ndarray, start: int) -> float:
    for i, (h, c) in enumerate(zip(house, claim, strict=True), start):
        control.push(250 * i, float(h), float(c))
    return control.penalty


def test_what_was_found_holds_while_the_blanks_claim_and_is_then_let_go() -> None:
    control = BlankControl()
    house, claim = steps((0.5, 0.0), (0.5, 1.0))
    assert push(control, house, claim, 0) == 1.0
    lasting = 2 * WINDOW  # the step has left the window long ago
    assert push(control, np.full(lasting, 0.56), np.full(lasting, 0.95), WINDOW) == 1.0
    off = round(RELEASE_S * 4)
    faded = push(control, np.full(off, 0.56), np.full(off, CLAIMED - 0.1), WINDOW + lasting)
    assert faded == pytest.approx(np.exp(-1.0), abs=0.02)


def test_a_saved_control_goes_on_with_the_same_bits() -> None:
    first, second = BlankControl(), BlankControl()
    house, claim = steps((0.4, 0.0), (0.4, 1.0), (0.2, 0.0))
    push(first, house, claim, 0)
    second.load({name: array.copy() for name, array in first.arrays().items()})
    assert push(first, house, claim, WINDOW) == push(second, house, claim, WINDOW)
    assert all(np.array_equal(a, second.arrays()[name], equal_nan=True) for name, a in first.arrays().items())

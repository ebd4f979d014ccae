"""Seat plans: the generated hall and the TOML form."""

import numpy as np
import pytest

from relay.seat_plan import MAX_SEATS, SECTION_KEY, SeatPlanError, generated, parse

PLAN = """
[[section]]
key = "stalls"
title = "Stalls"
rows = [ { name = "A", seats = 3 }, { name = "B", seats = 4, first = 11, y = 9.0 } ]
[[section]]
key = "circle-left"
rows = [ { name = "A", seats = 2, x = -8.0, pitch = 0.6 } ]
"""


@pytest.mark.parametrize("seats", [1, 2, 50, 200, 2500])
def test_generated_hall(seats: int) -> None:
    plan = generated(seats)
    assert plan.seats == seats == len(plan.labels) == len(set(plan.labels))
    assert all(SECTION_KEY.fullmatch(s.key) for s in plan.sections)
    assert (np.diff(plan.section) >= 0).all()
    assert len(set(zip(plan.x.tolist(), plan.y.tolist(), strict=True))) == seats


@pytest.mark.parametrize("seats", [0, -1, MAX_SEATS + 1])
def test_generated_refuses(seats: int) -> None:
    with pytest.raises(SeatPlanError, match="allowed 1"):
        generated(seats)


def test_rows_to_seats() -> None:
    plan = parse(PLAN)
    assert plan.labels == ("A1", "A2", "A3", "B11", "B12", "B13", "B14", "A1", "A2")
    assert plan.section.tolist() == [0] * 7 + [1] * 2
    assert plan.x[:3].tolist() == pytest.approx([-0.55, 0, 0.55])
    assert plan.y[3] == 9.0
    assert plan.x[7:].tolist() == pytest.approx([-8.0, -7.4])
    assert plan.sections[1].title == "circle-left"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = = 1", "not TOML"),
        ("", "no [[section]]"),
        ('[[section]]\nkey = "Big Hall"', "section key"),
        ('[[section]]\nkey = "a"', "no rows"),
        ('[[section]]\nkey = "a"\nrow = []', "unknown keys row"),
        ('[[section]]\nkey = "a"\nrows = [{ name = "A", seats = 0 }]', "row A"),
        ('[[section]]\nkey = "a"\nrows = [{ name = "A", seats = true }]', "row A"),
        ('[[section]]\nkey = "a"\nrows = [{ seats = 3 }]', "needs a name"),
        (PLAN + PLAN, "each once"),
    ],
)
def test_refusals_say_where(text: str, said: str) -> None:
    with pytest.raises(SeatPlanError) as caught:
        parse(text)
    assert said in str(caught.value)

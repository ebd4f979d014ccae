"""The seats' tokens against plan, keyring and evening: every planted mistake is named."""

from __future__ import annotations

import pytest

from loadtest.check_line import State
from loadtest.check_tokens import Card, CardsError, judge, read
from relay.seat_card import Keyring, issue
from relay.seat_plan import generated

RING = Keyring.generate()
PLAN = generated(12)
EVENING = "premiere"


def file(*, seats: int = 12, evening: str = EVENING, ring: Keyring = RING) -> str:
    lines = ["seat,section,label,role,token"]
    for seat in range(1, seats + 1):
        at = min(seat, PLAN.seats) - 1
        section = PLAN.sections[int(PLAN.section[at])].key
        lines.append(f"{seat},{section},{PLAN.labels[at]},audience,{issue(ring, evening, seat)}")
    return "\n".join(lines) + "\n"


def said(text: str) -> tuple[State, str]:
    line = judge(read(text), PLAN, RING, EVENING, 0.0)
    return line.state, line.found


def test_a_whole_house() -> None:
    state, found = said(file() + f"1,,,performer,{issue(RING, EVENING, 1, 'performer')}\n")
    assert state is State.OK
    assert "1 for other roles" in found


def test_another_evening() -> None:
    state, found = said(file(evening="rehearsal"))
    assert state is State.FAILS
    assert "line 2, line 3, line 4 and 9 more do not open this evening" in found


def test_another_keyring() -> None:
    assert "do not open this evening" in said(file(ring=Keyring.generate()))[1]


def test_a_seat_without_token() -> None:
    state, found = said(file(seats=11))
    assert state is State.FAILS
    assert found == f"{PLAN.labels[11]} has no token"


def test_a_stranger() -> None:
    state, found = said(file(seats=13))
    assert state is State.FAILS
    assert "seat 13 is not in the plan" in found


def test_two_tokens_for_a_seat() -> None:
    twice = file() + file().splitlines()[3] + "\n"
    assert said(twice) == (State.FAILS, f"{PLAN.labels[2]} has more than one token")


def test_swapped_tokens() -> None:
    lines = file().splitlines()
    a, b = lines[1].rsplit(",", 1), lines[2].rsplit(",", 1)
    lines[1], lines[2] = f"{a[0]},{b[1]}", f"{b[0]},{a[1]}"
    state, found = said("\n".join(lines))
    assert state is State.FAILS
    assert "line 2, line 3 say another seat or role" in found


def test_a_test_token_on_a_listeners_line() -> None:
    lines = file().splitlines()
    lines[1] = lines[1].rsplit(",", 1)[0] + "," + issue(RING, EVENING, 1, "test")
    assert "line 2 says another seat or role" in said("\n".join(lines))[1]


def test_cards_of_an_older_plan() -> None:
    state, found = said(file().replace(f",{PLAN.labels[4]},", ",Z9,"))
    assert state is State.LOOK
    assert "Z9 is named otherwise" in found


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "seat,section,label,role,token\nx,,,audience,T\n", "\0"])
def test_no_file_of_cards(text: str) -> None:
    with pytest.raises(CardsError):
        read(text)


def test_reads_what_it_is_given() -> None:
    assert read("seat,section,label,role,token\n3,stalls,A3,audience, T \n") == [
        Card(2, 3, "stalls", "A3", "audience", "T")
    ]

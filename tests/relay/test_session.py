"""One phone's connection: the table, consent first, acknowledgement, and every refusal's answer."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relay import session as rules
from relay.entries import Channel, Consent, Departure, Erase, Join, Skip
from relay.seat_card import issue, pseudonym
from relay.session import Session
from relay.session_table import (
    CLOSING_WITHIN_MS,
    MAX_AHEAD,
    MAX_ERASED,
    MAX_SKIPS,
    TABLE,
    Event,
    Samples,
    State,
    Write,
)
from tests.relay.packets import simple
from tests.relay.phone import CHANNELS, CONSENT_NO, CONSENT_YES, ERASE, EVENING, GOODBYE, RING, hello, said
from tests.relay.sessions import NOW_MS, a_house, closes, streaming, texts, writes

# --- the table ------------------------------------------------------------------------------------------------------


def test_every_rule_of_the_table_exists_and_every_rule_is_used() -> None:
    named = {step.rule for row in TABLE.values() for step in row.values()}
    assert named <= set(rules._RULES) | {"count"}  # counting is Session.accepted, outside the dispatch for its price
    assert set(rules._RULES) <= named


def test_every_state_is_reachable_and_ends_closed() -> None:
    reached, queue = set(), [State.HELLO]
    while queue:
        state = queue.pop()
        if state not in reached:
            reached.add(state)
            queue += [step.to for step in TABLE[state].values()]
    assert reached == set(State) == set(TABLE)
    for state in set(State) - {State.CLOSED}:
        assert TABLE[state][Event.LOST].to is State.CLOSED


# --- consent --------------------------------------------------------------------------------------------------------


def test_nothing_is_written_before_a_yes() -> None:
    session = Session(a_house(), NOW_MS)
    actions = session.receive(hello(yes=False), NOW_MS)
    assert [text["type"] for text in texts(actions)] == ["welcome"]
    assert texts(actions)[0]["consent"] == {"text": "1", "given": False}
    actions += session.receive(simple(0), NOW_MS)
    actions += session.receive(said(type="skip", first=0, last=3), NOW_MS)
    assert writes(actions) == []
    assert not any(isinstance(action, Samples) for action in actions)
    assert session.take(simple(0)) == -1
    actions = session.receive(CONSENT_YES, NOW_MS)
    assert [type(event) for event in writes(actions)] == [Consent, Join]
    assert session.take(simple(0)) == 0


@pytest.mark.parametrize("end", [GOODBYE, None])
def test_who_declines_leaves_no_trace(end: str | None) -> None:
    session = Session(a_house(), NOW_MS)
    actions = session.receive(hello(yes=False), NOW_MS) + session.receive(CONSENT_NO, NOW_MS)
    actions += session.receive(simple(0), NOW_MS)
    actions += session.receive(end, NOW_MS) if end else session.lost()
    assert writes(actions) == []
    assert session.state is State.CLOSED


def test_a_remembered_yes_joins_at_once_with_what_the_hello_says() -> None:
    session = Session(a_house(), NOW_MS)
    actions = session.receive(hello(seat=2, lowest=40), NOW_MS)
    listener = pseudonym(RING, EVENING, issue(RING, EVENING, 2))
    channels = tuple(
        Channel(c["name"], float(c["rate_hz"]), c.get("unit", "raw"), c.get("scale", 1.0), 0.0)  # type: ignore[arg-type]
        for c in CHANNELS
    )
    assert writes(actions) == [
        Consent(listener, True, "1"),
        Join(listener, 0x0123456789ABCDEF, 2, "audience", channels, 40, "fingertip / 1.2 / A-17", 0.8, ""),
    ]
    welcome = texts(actions)[0]
    assert (welcome["seat"], welcome["next"], welcome["consent"]["given"]) == ("A2", 40, True)


def test_a_yes_to_an_older_text_is_asked_again() -> None:
    session = Session(a_house(consent_text="2"), NOW_MS)
    actions = session.receive(hello(), NOW_MS)
    assert writes(actions) == []
    answers = texts(session.receive(CONSENT_YES, NOW_MS))
    assert [answer["code"] for answer in answers] == ["field"]
    assert [type(event) for event in writes(session.receive(said(type="consent", answer="yes", text="2"), NOW_MS))] == [
        Consent,
        Join,
    ]


def test_withdrawing_stops_at_once_and_a_new_yes_joins_again() -> None:
    session = streaming()
    (event,) = writes(session.receive(CONSENT_NO, NOW_MS))
    assert event == Consent(session.listener, False, "1")
    assert session.take(simple(0)) == -1
    assert texts(session.written(event)) == [{"type": "consent", "answer": "no"}]
    assert [type(event) for event in writes(session.receive(CONSENT_YES, NOW_MS))] == [Consent, Join]


def test_the_name_of_a_listener_is_never_written() -> None:
    for role, expected in (("audience", ""), ("performer", "viola")):
        session = Session(a_house(), NOW_MS)
        join = writes(session.receive(hello(role=role, name="viola"), NOW_MS))[1]
        assert isinstance(join, Join)
        assert (join.role, join.name) == (role, expected)


def test_a_withdrawal_that_was_not_answered_is_said_again_after_the_remembered_yes() -> None:
    """PROTOCOL.md, "Consent": the relay that had it may be gone, and with it what it had not written."""
    again = Session(a_house(), NOW_MS)
    again.receive(hello(), NOW_MS)
    (event,) = writes(again.receive(CONSENT_NO, NOW_MS))
    assert event == Consent(again.listener, False, "1")
    assert texts(again.written(event)) == [{"type": "consent", "answer": "no"}]


@pytest.mark.parametrize(
    "told",
    [{"consent": {"answer": "yes", "text": "1"}, "lowest": 0}, {"lowest": 12}],
    ids=["older yes", "acknowledged"],
)
def test_a_no_after_a_yes_that_this_relay_never_saw_is_written(told: dict[str, Any]) -> None:
    """The relay that took the yes died with the withdrawal unwritten, and here the phone does not stream: its yes was
    to an older text, or the app has forgotten it. Answered once recorded, however often it is said."""
    session = Session(a_house(consent_text="2"), NOW_MS)
    assert writes(session.receive(hello(yes=False, **told), NOW_MS)) == []
    for _ in range(2):
        (action,) = session.receive(CONSENT_NO, NOW_MS)
        assert isinstance(action, Write)
        assert action.event == Consent(session.listener, False, "2")
        assert texts(session.written(action.event)) == [{"type": "consent", "answer": "no"}]


def test_a_second_no_is_answered_once_the_withdrawal_is_recorded() -> None:
    session = streaming()
    assert texts(session.receive(CONSENT_NO, NOW_MS)) == []
    (again,) = session.receive(CONSENT_NO, NOW_MS)
    assert isinstance(again, Write)
    assert again.event == Consent(session.listener, False, "1")


@pytest.mark.parametrize("before", [[], [CONSENT_NO], [CONSENT_YES, CONSENT_NO]])
def test_who_was_erased_by_another_connection_cannot_say_yes_on_this_one(before: list[str]) -> None:
    house = a_house()
    session = Session(house, NOW_MS)
    for message in (hello(yes=False), *before):
        session.receive(message, NOW_MS)
    house.erase(session.listener)
    actions = session.receive(CONSENT_YES, NOW_MS)
    assert not writes(actions)
    assert (texts(actions)[0]["code"], closes(actions)) == ("erased", [4004])


def test_erasure_is_answered_once_it_is_accepted_and_refuses_the_listener_afterwards() -> None:
    house = a_house()
    session = streaming(house)
    (event,) = writes(session.receive(ERASE, NOW_MS))
    assert event == Erase(session.listener)
    assert session.receive(simple(0), NOW_MS) == []
    actions = session.written(event)
    assert (texts(actions)[-1], closes(actions)) == ({"type": "erased"}, [1000])
    again = Session(house, NOW_MS)
    refused = again.receive(hello(stream="77"), NOW_MS)
    assert (texts(refused)[0]["code"], closes(refused)) == ("erased", [4004])


def test_tombstones_are_bounded_and_the_loss_is_counted() -> None:
    house = a_house()
    for listener in range(1, MAX_ERASED + 3):
        house.erase(listener)
    assert len(house.erased) == MAX_ERASED
    assert house.tombstones_dropped == 2
    assert 1 not in house.erased


# --- delivery -------------------------------------------------------------------------------------------------------


def test_acknowledgement_goes_on_contiguously() -> None:
    session = streaming(lowest=10)
    for number in (12, 11, 14):
        session.accepted(number)
    assert texts(session.ack()) == [{"type": "ack", "next": 10}]
    session.accepted(10)
    assert texts(session.ack()) == [{"type": "ack", "next": 13}]
    session.accepted(13)
    assert texts(session.ack()) == [{"type": "ack", "next": 15}]


def test_duplicates_are_taken_and_acknowledged_again() -> None:
    session = streaming(lowest=10)
    assert session.take(simple(3)) == 3  # a ring sent again after a fail-over
    assert session.accepted(3) == 1
    assert texts(session.ack()) == [{"type": "ack", "next": 10}]


@given(st.permutations(range(12)), st.sets(st.integers(0, 11)))
def test_any_order_of_acceptance_ends_at_the_same_place(order: list[int], skipped: set[int]) -> None:
    session = streaming()
    for number in order:
        if number in skipped:
            (event,) = writes(session.receive(said(type="skip", first=number, last=number), NOW_MS))
            session.written(event)
        else:
            session.accepted(number)
    assert session.next == 12
    assert not session._early
    assert not session._skips


def test_a_skip_counts_as_received_once_it_is_accepted() -> None:
    session = streaming()
    (event,) = writes(session.receive(said(type="skip", first=0, last=99_999), NOW_MS))
    assert event == Skip(session.listener, session.stream, 0, 99_999)
    assert session.next == 0
    assert session.take(simple(100_050)) == 100_050  # what comes after a long outage is not too far ahead
    assert texts(session.written(event)) == [{"type": "ack", "next": 100_000}]


def test_the_last_number() -> None:
    session = streaming(lowest=2**32 - 1)
    assert session.take(simple(2**32 - 1)) == 2**32 - 1
    session.accepted(2**32 - 1)
    assert texts(session.ack()) == [{"type": "ack", "next": 2**32}]


def test_too_far_ahead_is_refused_and_the_edge_is_not() -> None:
    session = streaming()
    assert session.take(simple(MAX_AHEAD)) == MAX_AHEAD
    assert session.take(simple(MAX_AHEAD + 1)) == -1
    (error,) = texts(session.receive(simple(MAX_AHEAD + 1), NOW_MS))
    assert (error["code"], error["sequence"]) == ("ahead", MAX_AHEAD + 1)


def test_what_waits_behind_a_hole_is_bounded() -> None:
    session = streaming()
    (event,) = writes(session.receive(said(type="skip", first=10, last=999_999), NOW_MS))
    session.written(event)
    taken = 0
    for number in range(1_000_000, 1_000_000 + 3 * MAX_AHEAD, 2):
        if session.take(simple(number)) >= 0:
            session.accepted(number)
            taken += 1
    assert taken == MAX_AHEAD // 2 + 1
    (event,) = writes(session.receive(said(type="skip", first=1_000_001, last=2_000_000), NOW_MS))
    for number in range(2_000_001, 2_000_001 + 2 * MAX_AHEAD):
        if session.take(simple(number)) >= 0:
            session.accepted(number)
    assert len(session._early) == MAX_AHEAD
    assert session.take(simple(0)) == 0


def test_skipped_ranges_are_bounded() -> None:
    session = streaming()
    for number in range(MAX_SKIPS):
        (event,) = writes(session.receive(said(type="skip", first=2 * number + 1, last=2 * number + 1), NOW_MS))
        session.written(event)
    assert texts(session.receive(said(type="skip", first=999, last=999), NOW_MS))[0]["code"] == "ahead"


def test_a_full_backlog_sends_the_phone_back_once_a_second() -> None:
    session = streaming()
    session.accepted(0)
    assert texts(session.untaken(5, 1.5, NOW_MS)) == [{"type": "later", "retry_s": 1.5, "from": 1}]
    assert session.untaken(6, 1.5, NOW_MS + 500) == []
    assert len(session.untaken(7, 1.5, NOW_MS + 1_000)) == 1


def test_goodbye_waits_for_the_bus_and_acknowledges_what_came_before() -> None:
    session = streaming()
    (event,) = writes(session.receive(GOODBYE, NOW_MS))
    assert event == Departure(session.listener, session.stream, "goodbye")
    session.accepted(0)
    actions = session.written(event)
    assert [text["type"] for text in texts(actions)] == ["ack", "goodbye"]
    assert texts(actions)[0]["next"] == 1
    assert closes(actions) == [1000]
    assert session.lost() == []


def test_goodbye_with_the_bus_away_sends_the_phone_to_come_back() -> None:
    session = streaming()
    session.receive(GOODBYE, NOW_MS)
    assert session.tick(NOW_MS + CLOSING_WITHIN_MS) == []
    actions = session.tick(NOW_MS + CLOSING_WITHIN_MS + 1)
    assert (texts(actions)[0]["type"], closes(actions)) == ("later", [1013])


def test_a_lost_connection_departs_once() -> None:
    session = streaming()
    assert writes(session.lost()) == [Departure(session.listener, session.stream, "closed")]
    assert session.lost() == []


def test_a_replaced_connection_does_not_depart() -> None:
    session = streaming()
    assert closes(session.replaced()) == [4005]
    assert session.lost() == []


def test_part_and_bus_are_told_only_after_a_hello() -> None:
    house = a_house()
    silent, session = Session(house, NOW_MS), streaming(house)
    house.part, house.bus_id = "piece", "bus-2"
    assert texts(session.part()) == [{"type": "part", "part": "piece", "say": "Enjoy the music."}]
    assert texts(session.bus()) == [{"type": "bus", "bus": "bus-2"}]
    assert silent.part() == silent.bus() == []


def test_any_phone_time_is_taken() -> None:
    session = streaming()
    for number, time_us in enumerate((10**15, 0, 2**62 - 1, 5)):
        assert session.take(simple(number, time_us)) == number

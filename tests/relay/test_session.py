"""One phone's connection: the table, consent first, acknowledgement, and every refusal's answer."""

from __future__ import annotations

from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from relay import session as rules
from relay.entries import Channel, Consent, Control, Departure, Erase, Join, Skip
from relay.seat_card import issue, pseudonym
from relay.session import Session
from relay.session_table import (
    ACK_EVERY_PACKETS,
    CLOSING_WITHIN_MS,
    HELLO_WITHIN_MS,
    MAX_AHEAD,
    MAX_ERASED,
    MAX_REFUSED,
    MAX_SKIPS,
    REFUSALS,
    TABLE,
    Action,
    Close,
    Event,
    House,
    Samples,
    Send,
    State,
    Write,
)
from tests.relay.packets import VALID, mutated, simple
from tests.relay.phone import CHANNELS, CONSENT_NO, CONSENT_YES, ERASE, EVENING, GOODBYE, RING, hello, said

NOW_MS = 1_000.0


def a_house(**changed: Any) -> House:
    return House(RING, EVENING, ("A1", "A2"), bus_id="bus-1", **changed)


def streaming(house: House | None = None, **changed: Any) -> Session:
    """A session that has joined, with the entries of its join accepted."""
    session = Session(house or a_house(), NOW_MS)
    for action in session.receive(hello(**changed), NOW_MS):
        if isinstance(action, Write):
            session.written(action.event)
    assert session.state is State.STREAMING
    return session


def texts(actions: list[Action]) -> list[dict[str, Any]]:
    return [orjson.loads(action.text) for action in actions if isinstance(action, Send)]


def writes(actions: list[Action]) -> list[Control]:
    return [action.event for action in actions if isinstance(action, Write)]


def closes(actions: list[Action]) -> list[int]:
    return [action.code for action in actions if isinstance(action, Close)]


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


# --- refusals -------------------------------------------------------------------------------------------------------


def without_hello() -> Session:
    return Session(a_house(), NOW_MS)


def declined() -> Session:
    session = Session(a_house(), NOW_MS)
    session.receive(hello(yes=False), NOW_MS)
    session.receive(CONSENT_NO, NOW_MS)
    return session


def erased() -> Session:
    house = a_house()
    house.erase(pseudonym(RING, EVENING, issue(RING, EVENING, 12)))
    return Session(house, NOW_MS)


def broken(at: int, value: int) -> bytes:
    raw = bytearray(VALID)
    raw[at] = value
    return bytes(raw)


BAD: list[tuple[str, Any, str | bytes]] = [
    ("json", without_hello, "{"),
    ("json", without_hello, ""),
    ("json", without_hello, "[1]"),
    ("json", streaming, '{"type":"goodbye"}x'),
    ("json", streaming, "[" * 4_000),
    ("json", streaming, '"\ud800"'),
    ("size", streaming, " " * 4_097),
    ("type", without_hello, said(type="hallo")),
    ("type", streaming, said(type=None)),
    ("type", streaming, said(type=[])),
    ("type", streaming, said()),
    ("protocol", without_hello, hello(version=2)),
    ("protocol", without_hello, hello(version="1")),
    ("protocol", without_hello, hello(version=True)),
    ("protocol", without_hello, hello(version=...)),
    ("seat", without_hello, hello(seat=1) .replace(issue(RING, EVENING, 1), "0" * 16)),
    ("seat", without_hello, hello(seat=1).replace(issue(RING, EVENING, 1), issue(RING, "another night", 1))),
    ("seat", without_hello, hello(seat=1).replace(issue(RING, EVENING, 1), "short")),
    ("seat", lambda: Session(a_house(closes_s=0.5), NOW_MS), hello()),
    ("erased", erased, hello()),
    ("order", without_hello, GOODBYE),
    ("order", without_hello, CONSENT_YES),
    ("order", without_hello, simple(0)),
    ("order", streaming, hello()),
    ("consent", declined, simple(0)),
    ("consent", declined, said(type="skip", first=0, last=0)),
    ("field", streaming, said(type="consent", answer="maybe")),
    ("field", streaming, said(type="consent", answer="yes", text="9")),
    ("field", streaming, said(type="skip", first=5, last=4)),
    ("field", streaming, said(type="skip", first=-1, last=4)),
    ("field", streaming, said(type="skip", first=0, last=2**32)),
    ("field", streaming, said(type="skip", first="0", last=True)),
    ("ahead", streaming, said(type="skip", first=MAX_AHEAD + 1, last=MAX_AHEAD + 2)),
    ("ahead", streaming, simple(MAX_AHEAD + 1)),
    ("version", streaming, broken(0, 9)),
    ("length", streaming, VALID[:-1]),
    ("length", streaming, VALID + b"\0"),
    ("length", streaming, b""),
    ("length", streaming, VALID + bytes(5_000)),
    ("blocks", streaming, broken(1, 0)),
    ("blocks", streaming, broken(2, 1)),
    ("format", streaming, broken(17, 99)),
    ("format", streaming, simple(0, channel=3)),
    ("count", streaming, broken(19, 255)),
    ("time", streaming, broken(15, 64)),
    ("time", streaming, broken(23, 255)),
]  # fmt: skip


@pytest.mark.parametrize(("code", "make", "message"), BAD, ids=[f"{n}-{row[0]}" for n, row in enumerate(BAD)])
def test_each_malformation_has_its_one_answer(code: str, make: Any, message: str | bytes) -> None:
    session = make()
    before = session.state
    actions = session.receive(message, NOW_MS)
    error = texts(actions)[0]
    assert (error["type"], error["code"]) == ("error", code)
    assert set(error) - {"sequence"} == {"type", "code", "found", "allowed"}
    expected = REFUSALS[code].close
    assert closes(actions) == ([] if expected is None else [expected])
    assert session.state is (before if expected is None else State.CLOSED)
    if isinstance(message, bytes):
        assert session.take(message) == -1
    if before is State.STREAMING and expected is not None:
        assert [type(event) for event in writes(actions)] == [Departure]
    assert session._house.refused[code] == 1


def test_every_refusal_has_a_case() -> None:
    assert {code for code, _, _ in BAD} | {"hello", "slow", "refusals"} == set(REFUSALS)  # those three below


HELLO_FIELDS: list[dict[str, Any]] = [
    {"seat": ...}, {"seat": 5}, {"seat": ""}, {"stream": ...}, {"stream": "0"}, {"stream": "xyz"}, {"stream": 5},
    {"stream": "1" * 17}, {"lowest": -1}, {"lowest": 2**32}, {"lowest": 1.5}, {"lowest": True}, {"channels": ...},
    {"channels": []}, {"channels": {}}, {"channels": [5]}, {"channels": [CHANNELS[0]] * 2},
    {"channels": [{"name": f"c{n}", "rate_hz": 1} for n in range(17)]}, {"battery": 2}, {"battery": "full"},
    {"battery": False}, {"sensor": "x"}, {"sensor": {"model": 5}}, {"sensor": {"kit": "k" * 65}},
    {"sensor": {"kit": "a\nb"}}, {"consent": "yes"}, {"consent": {"answer": "perhaps"}}, {"name": 3},
    {"name": "n" * 65},
    *({"channels": [{"name": "pulse", "rate_hz": 50, **bad}]} for bad in (
        {"name": "Pulse"}, {"name": ""}, {"name": "x" * 25}, {"name": None}, {"rate_hz": 0}, {"rate_hz": 2001},
        {"rate_hz": "50"}, {"rate_hz": None}, {"scale": 0}, {"scale": None}, {"scale": 1e300}, {"offset": "0"},
        {"unit": 5}, {"unit": "u" * 65},
    )),
]  # fmt: skip


@pytest.mark.parametrize("changed", HELLO_FIELDS, ids=str)
def test_each_hello_field_is_checked(changed: dict[str, Any]) -> None:
    session = without_hello()
    actions = session.receive(hello(**changed) if "seat" not in changed else _seat(changed["seat"]), NOW_MS)
    assert texts(actions)[0]["code"] == "hello"
    assert closes(actions) == [4003]
    assert next(iter(changed)) in texts(actions)[0]["found"]


def _seat(value: Any) -> str:
    body = orjson.loads(hello())
    if value is ...:
        del body["seat"]
    else:
        body["seat"] = value
    return said(**body)


def test_a_hello_with_the_least_is_enough() -> None:
    session = without_hello()
    body = orjson.loads(hello(yes=False))
    least = {key: body[key] for key in ("type", "version", "seat", "stream")}
    session.receive(said(**least, channels=[{"name": "pulse", "rate_hz": 25}]), NOW_MS)
    assert session.state is State.CONSENT


def test_a_silent_connection_is_closed() -> None:
    session = without_hello()
    assert session.tick(NOW_MS + HELLO_WITHIN_MS) == []
    actions = session.tick(NOW_MS + HELLO_WITHIN_MS + 1)
    assert (texts(actions)[0]["code"], closes(actions)) == ("slow", [1008])


def test_endless_refusals_are_closed() -> None:
    session = streaming()
    for _ in range(MAX_REFUSED):
        assert closes(session.receive(b"\x01", NOW_MS)) == []
    actions = session.receive(b"\x01", NOW_MS)
    assert [text["code"] for text in texts(actions)] == ["length", "refusals"]
    assert closes(actions) == [1008]


# --- anything at all ------------------------------------------------------------------------------------------------

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=5,
)


@st.composite
def changed_texts(draw: st.DrawFn) -> str:
    """A valid message with one value, at any depth, replaced by anything; or cut."""
    body = orjson.loads(
        draw(st.sampled_from([hello(), hello(yes=False), CONSENT_YES, CONSENT_NO, GOODBYE, ERASE,
                              said(type="skip", first=1, last=2)]))
    )  # fmt: skip
    place: Any = body
    while True:
        key = draw(st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place))))
        if isinstance(place[key], (dict, list)) and place[key] and draw(st.booleans()):
            place = place[key]
            continue
        place[key] = draw(VALUES.filter(lambda value: not isinstance(value, int) or abs(value) < 2**63))
        break
    try:
        text = orjson.dumps(body).decode()
    except (TypeError, ValueError):  # a lone surrogate
        text = repr(body)
    return text[: draw(st.integers(0, len(text)))] if draw(st.integers(0, 9)) == 0 else text


MESSAGES = (
    st.text(max_size=60)
    | st.binary(max_size=60)
    | changed_texts()
    | mutated()
    | st.sampled_from([hello(), hello(yes=False), CONSENT_YES, CONSENT_NO, GOODBYE, ERASE])
    | st.integers(0, 6).map(simple)
)


class AnyPhone(RuleBasedStateMachine):
    """Any messages in any order, with the bus accepting now and then."""

    def __init__(self) -> None:
        super().__init__()
        self.house = a_house()
        self.session = Session(self.house, NOW_MS)
        self.now_ms = NOW_MS
        self.waiting: list[Samples | Write] = []
        self.consented = False
        self.closed = False

    def does(self, actions: list[Action]) -> None:
        for action in actions:
            assert not self.closed or isinstance(action, Write), "nothing after a close"
            if isinstance(action, Send):
                orjson.loads(action.text)
            elif isinstance(action, Close):
                self.closed = True
                assert self.session.state is State.CLOSED
            elif isinstance(action, Write) and isinstance(action.event, Consent):
                self.consented = action.event.answer
                self.waiting.append(action)
            elif isinstance(action, Write):
                assert self.consented or isinstance(action.event, (Erase, Departure))
                self.waiting.append(action)
            else:
                assert self.consented
                assert isinstance(action, Samples)
                self.waiting.append(action)

    @rule(message=MESSAGES)
    def says(self, message: str | bytes) -> None:
        number = self.session.take(message) if isinstance(message, bytes) else -1
        actions = self.session.receive(message, self.now_ms)
        if isinstance(message, bytes) and number >= 0:  # the short way and the long way decide alike
            assert actions == [Samples(number, message, self.now_ms)]
        else:
            assert not any(isinstance(action, Samples) for action in actions)
        self.does(actions)

    @rule()
    def bus_accepts(self) -> None:
        waiting, self.waiting = self.waiting, []
        for item in waiting:
            if isinstance(item, Write):
                self.does(self.session.written(item.event))
            else:
                self.session.accepted(item.sequence)

    @rule(passed_ms=st.sampled_from([10.0, 1_000.0, 6_000.0]))
    def time_passes(self, passed_ms: float) -> None:
        self.now_ms += passed_ms
        self.does(self.session.tick(self.now_ms))

    @rule()
    def is_lost(self) -> None:
        self.does(self.session.lost())

    @invariant()
    def bounded(self) -> None:
        assert len(self.session._early) <= 2 * MAX_AHEAD
        assert len(self.session._skips) <= MAX_SKIPS
        assert self.session.next >= 0


TestAnyPhone = AnyPhone.TestCase
TestAnyPhone.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)


@given(MESSAGES)
def test_no_first_message_raises(message: str | bytes) -> None:
    Session(a_house(), NOW_MS).receive(message, NOW_MS)


@given(MESSAGES)
@settings(max_examples=200)
def test_no_message_raises_while_streaming(message: str | bytes) -> None:
    streaming().receive(message, NOW_MS)


def test_the_pace_of_acknowledgement_is_the_contract() -> None:
    assert ACK_EVERY_PACKETS == 8  # contract 6: one a second or each 8 packets

"""One phone's connection: whatever arrives in whatever order, nothing raises and the promises hold."""

from __future__ import annotations

from typing import Any

import orjson
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from relay.entries import Consent, Departure, Erase
from relay.session import Session
from relay.session_table import (
    ACK_EVERY_PACKETS,
    MAX_AHEAD,
    MAX_SKIPS,
    Action,
    Close,
    Samples,
    Send,
    State,
    Write,
)
from tests.relay.packets import mutated, simple
from tests.relay.phone import CONSENT_NO, CONSENT_YES, ERASE, GOODBYE, hello, said
from tests.relay.sessions import NOW_MS, a_house, streaming

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

"""Sessions in known places, and what their actions hold."""

from __future__ import annotations

from typing import Any

import orjson

from relay.entries import Control
from relay.session import Session
from relay.session_table import Action, Close, House, Send, State, Write
from tests.relay.phone import EVENING, RING, hello

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

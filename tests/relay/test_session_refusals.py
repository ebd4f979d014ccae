"""One phone's connection: every malformation has its one documented answer."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from relay.entries import Departure
from relay.seat_card import issue, pseudonym
from relay.session import Session
from relay.session_table import (
    HELLO_WITHIN_MS,
    MAX_AHEAD,
    MAX_REFUSED,
    REFUSALS,
    State,
)
from tests.relay.packets import VALID, simple
from tests.relay.phone import CHANNELS, CONSENT_NO, CONSENT_YES, EVENING, GOODBYE, RING, hello, said
from tests.relay.sessions import NOW_MS, a_house, closes, streaming, texts, writes

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

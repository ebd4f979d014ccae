"""A phone's half of the protocol for the tests: messages as PROTOCOL.md words them."""

from __future__ import annotations

from typing import Any

import orjson

from relay.seat_card import Keyring, issue

RING = Keyring("1", {"1": bytes(range(32))})
EVENING = "first night"
CHANNELS = [
    {"name": "pulse", "rate_hz": 50},
    {"name": "skin", "rate_hz": 4, "unit": "uS", "scale": 0.001, "offset": 0},
    {"name": "temperature", "rate_hz": 1, "unit": "C", "scale": 0.01, "offset": 0},
]


def hello(seat: int = 12, *, yes: bool = True, role: str = "audience", **changed: Any) -> str:
    """A hello with one field or another changed; ``yes`` remembers the consent."""
    body: dict[str, Any] = {
        "type": "hello",
        "version": 1,
        "seat": issue(RING, EVENING, seat, role),
        "stream": "0123456789abcdef",
        "lowest": 0,
        "channels": CHANNELS,
        "sensor": {"model": "fingertip", "firmware": "1.2", "kit": "A-17"},
        "battery": 0.8,
    }
    if yes:
        body["consent"] = {"answer": "yes", "text": "1"}
    body.update(changed)
    return said(**{key: value for key, value in body.items() if value is not ...})


def said(**body: Any) -> str:
    """One text message."""
    return orjson.dumps(body).decode()


CONSENT_YES = said(type="consent", answer="yes", text="1")
CONSENT_NO = said(type="consent", answer="no")
GOODBYE = said(type="goodbye")
ERASE = said(type="erase")

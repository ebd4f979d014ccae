"""The text messages of a phone, as relay/PROTOCOL.md has them. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import orjson

from relay.entries import Channel

CONSENT_TEXT = "1"  # the version of the consent text that simulated listeners have read


def hello(
    token: str, stream: int, lowest: int, channels: Sequence[Channel], *, battery: float = 0.9, consent: bool = True
) -> str:
    """The first message of a connection; a returning listener's consent rides along."""
    body: dict[str, Any] = {
        "type": "hello",
        "version": 1,
        "seat": token,
        "stream": f"{stream:016x}",
        "lowest": lowest,
        "channels": [asdict(c) for c in channels],
        "sensor": {"model": "simulated", "firmware": "1", "kit": "loadtest"},
        "battery": battery,
    }
    if consent:
        body["consent"] = {"answer": "yes", "text": CONSENT_TEXT}
    return orjson.dumps(body).decode()


class HelloTemplate:
    """Hellos of thousands of phones that differ in card, stream and lowest number only."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        whole = hello("CARD", 0, 0, channels)
        self._head, rest = whole.split('"CARD"')
        self._between, rest = rest.split(f'"{0:016x}"')
        self._before_number, self._tail = rest.split(":0,", 1)

    def text(self, token: str, stream: int, lowest: int) -> str:
        """The same as :func:`hello` with these."""
        return f'{self._head}"{token}"{self._between}"{stream:016x}"{self._before_number}:{lowest},{self._tail}'


def skip(first: int, last: int) -> str:
    """Packets first to last were discarded by the phone."""
    return orjson.dumps({"type": "skip", "first": first, "last": last}).decode()


def consent(text: str) -> str:
    """Yes to this version of the consent text."""
    return orjson.dumps({"type": "consent", "answer": "yes", "text": text}).decode()


def goodbye() -> str:
    """The listener leaves."""
    return orjson.dumps({"type": "goodbye"}).decode()


def parse(text: bytes | str) -> dict[str, Any]:
    """A message of the relay; an empty one where it is not an object with a type."""
    try:
        body = orjson.loads(text)
    except orjson.JSONDecodeError:
        return {}
    return body if isinstance(body, dict) and isinstance(body.get("type"), str) else {}

"""Reading what a phone says first: the hello message, field by field. Pure.

Errors: :class:`FieldError` names the field, what was found and what is allowed; nothing else is raised, whatever the
JSON holds.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import orjson

from relay.entries import Channel

VERSION = 1
MAX_CHANNELS = 16
MAX_CHANNEL_LISTS = 256  # a house sees a few sensor models; cleared when full, so that made-up lists cost no memory
MIN_RATE_HZ, MAX_RATE_HZ = 0.1, 2000.0  # slower than a sample in 10 s is always a gap; muscle is sampled at 1-2 kHz
MAX_SEQUENCE = (1 << 32) - 1
MAX_LABEL_LETTERS = 64  # of a sensor's model, firmware and kit, and of a performer's name
CHANNEL_NAME = re.compile(r"[a-z0-9-]{1,24}")
STREAM_ID = re.compile(r"[0-9a-fA-F]{1,16}")
KNOWN_CHANNELS: dict[str, tuple[str, str]] = {
    "pulse": ("raw", "photoplethysmogram, any scale and either polarity"),
    "skin": ("uS", "skin conductance, microsiemens"),
    "temperature": ("C", "skin temperature, degrees Celsius"),
    "motion": ("m/s2", "magnitude of acceleration, gravity included"),
    "breath": ("raw", "breathing belt or air flow, any scale; breathing in is a larger value"),
    "muscle": ("mV", "surface electromyogram"),
}


class FieldError(ValueError):
    """A field that cannot be used: its name, what was found (shortened) and what is allowed."""

    def __init__(self, field: str, found: object, allowed: str) -> None:
        self.field, self.found, self.allowed = field, repr(found)[:60], allowed
        super().__init__(f"{field}: found {self.found}, allowed {allowed}")


@dataclass(frozen=True, slots=True)
class Hello:
    """One hello, checked. ``consent`` is the text version the phone remembers a yes to, or None."""

    token: str
    stream: int
    lowest: int
    channels: tuple[Channel, ...]
    sensor: str
    battery: float | None
    consent: str | None
    name: str


class ChannelLists:
    """Channel lists already read, by their JSON: a sensor model sends the same one from every phone, and reading it was
    a third of a hello's cost. Shared, it is also kept once. Bounded; what cannot be used is not kept."""

    __slots__ = ("_known",)

    def __init__(self) -> None:
        self._known: dict[bytes, tuple[Channel, ...]] = {}

    def read(self, found: object) -> tuple[Channel, ...]:
        """The channels of a parsed list. Raises FieldError."""
        try:
            key = orjson.dumps(found)
        except orjson.JSONEncodeError:  # nested deeper than orjson writes, though it reads it
            return _channels(found)
        made = self._known.get(key)
        if made is None:
            made = _channels(found)
            if len(self._known) >= MAX_CHANNEL_LISTS:
                self._known.clear()
            self._known[key] = made
        return made


def read_hello(body: Mapping[str, Any], lists: ChannelLists | None = None) -> Hello:
    """The hello in a parsed message of version 1. Raises FieldError at the first field that cannot be used."""
    token, stream = body.get("seat"), body.get("stream")
    if not isinstance(token, str) or not token:
        raise FieldError("seat", token, "the token on the seat card")
    if not isinstance(stream, str) or not STREAM_ID.fullmatch(stream) or int(stream, 16) == 0:
        raise FieldError("stream", stream, "1..16 hexadecimal digits, not zero, drawn at random for each start")
    battery = body.get("battery")
    if battery is not None:
        battery = _number("battery", battery, 0.0, 1.0)
    return Hello(
        token=token,
        stream=int(stream, 16),
        lowest=read_sequence("lowest", body.get("lowest", 0)),
        channels=(lists or ChannelLists()).read(body.get("channels")),
        sensor=_sensor(body.get("sensor")),
        battery=battery,
        consent=_remembered(body.get("consent")),
        name=_label("name", body.get("name", "")),
    )


def read_sequence(field: str, found: object) -> int:
    """A packet number, 0..2**32 - 1. Raises FieldError."""
    if not isinstance(found, int) or isinstance(found, bool) or not 0 <= found <= MAX_SEQUENCE:
        raise FieldError(field, found, f"a whole number 0..{MAX_SEQUENCE}")
    return found


def read_consent(body: Mapping[str, Any]) -> tuple[bool, str]:
    """The answer and the text version of a consent message. Raises FieldError."""
    answer = body.get("answer")
    if answer not in ("yes", "no"):
        raise FieldError("answer", answer, '"yes" or "no"')
    return answer == "yes", _label("text", body.get("text", ""))


def read_skip(body: Mapping[str, Any]) -> tuple[int, int]:
    """First and last number of a skip message. Raises FieldError."""
    first, last = read_sequence("first", body.get("first")), read_sequence("last", body.get("last"))
    if last < first:
        raise FieldError("last", last, f"at least first, {first}")
    return first, last


def _channels(found: object) -> tuple[Channel, ...]:
    if not isinstance(found, list) or not 0 < len(found) <= MAX_CHANNELS:
        size = len(found) if isinstance(found, list) else found
        raise FieldError("channels", size, f"a list of 1..{MAX_CHANNELS} channels")
    made = tuple(_channel(place, entry) for place, entry in enumerate(found))
    names = [channel.name for channel in made]
    if len(set(names)) != len(names):
        raise FieldError("channels", names, "each name once")
    return made


def _channel(place: int, found: object) -> Channel:
    where = f"channels[{place}]"
    if not isinstance(found, dict):
        raise FieldError(where, found, "an object with name, rate_hz, unit, scale, offset")
    name = found.get("name")
    if not isinstance(name, str) or not CHANNEL_NAME.fullmatch(name):
        raise FieldError(f"{where}.name", name, "1..24 of a-z, 0-9 and -")
    known = KNOWN_CHANNELS.get(name, ("raw", ""))[0]
    unit = _label(f"{where}.unit", found.get("unit", known))
    scale = _number(f"{where}.scale", found.get("scale", 1.0), -1e12, 1e12)
    if scale == 0.0:
        raise FieldError(f"{where}.scale", scale, "finite and not zero")
    rate_hz = _number(f"{where}.rate_hz", found.get("rate_hz"), MIN_RATE_HZ, MAX_RATE_HZ)
    return Channel(name, rate_hz, unit, scale, _number(f"{where}.offset", found.get("offset", 0.0), -1e12, 1e12))


def _number(field: str, found: object, low: float, high: float) -> float:
    if not isinstance(found, (int, float)) or isinstance(found, bool) or not low <= found <= high:
        raise FieldError(field, found, f"a number {low:g}..{high:g}")
    if not math.isfinite(found):
        raise FieldError(field, found, "a finite number")
    return float(found)


def _label(field: str, found: object) -> str:
    if not isinstance(found, str) or len(found) > MAX_LABEL_LETTERS or not (found.isprintable() or not found):
        raise FieldError(field, found, f"up to {MAX_LABEL_LETTERS} printable letters")
    return found


def _sensor(found: object) -> str:
    """Model, firmware and kit as one label, ``model / firmware / kit``; empty when the phone does not know."""
    if found is None:
        return ""
    if not isinstance(found, dict):
        raise FieldError("sensor", found, "an object with model, firmware, kit")
    parts = [_label(f"sensor.{key}", found.get(key, "")) for key in ("model", "firmware", "kit")]
    return " / ".join(parts) if any(parts) else ""


def _remembered(found: object) -> str | None:
    if found is None:
        return None
    if not isinstance(found, dict):
        raise FieldError("consent", found, "an object with answer and text, or nothing")
    try:
        answer, text = read_consent(found)
    except FieldError as error:
        raise FieldError(f"consent.{error.field}", found.get(error.field), error.allowed) from error
    return text if answer else None

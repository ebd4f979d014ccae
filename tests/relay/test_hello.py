"""Channel lists that were read before: the same answer, kept once, bounded."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from relay import hello as reading
from relay.hello import ChannelLists, FieldError, read_hello
from tests.relay.phone import CHANNELS, hello


def body(**changed: Any) -> dict[str, Any]:
    made: dict[str, Any] = orjson.loads(hello(**changed))
    return made


def test_phones_of_one_sensor_model_share_their_channels() -> None:
    lists = ChannelLists()
    first, second = (read_hello(body(seat=seat), lists) for seat in (1, 2))
    assert first.channels is second.channels
    assert first.channels == read_hello(body()).channels


@pytest.mark.parametrize("change", [{"rate_hz": 60}, {"scale": 2.0}, {"name": "motion"}, {"unit": "V"}])
def test_a_list_that_differs_in_anything_is_another(change: dict[str, Any]) -> None:
    lists = ChannelLists()
    read_hello(body(), lists)
    other = [CHANNELS[0] | change, *CHANNELS[1:]]
    assert read_hello(body(channels=other), lists).channels == read_hello(body(channels=other)).channels


@pytest.mark.parametrize("rate_hz", [True, "50", None])
def test_what_cannot_be_used_is_refused_each_time(rate_hz: object) -> None:
    """Also where a list that can be used differs only in a number's kind (1 and true are equal in Python)."""
    lists = ChannelLists()
    read_hello(body(channels=[{"name": "pulse", "rate_hz": 1}]), lists)
    for _ in range(2):
        with pytest.raises(FieldError, match="rate_hz"):
            read_hello(body(channels=[{"name": "pulse", "rate_hz": rate_hz}]), lists)


def test_lists_nested_deeper_than_can_be_written_are_refused_as_any_other() -> None:
    """orjson reads 1,024 levels and writes 254."""
    found = orjson.loads(b'{"channels":' + b"[" * 600 + b"]" * 600 + b"}")
    with pytest.raises(FieldError, match="channels"):
        read_hello(body() | found, ChannelLists())


def test_made_up_lists_cost_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MAX_CHANNEL_LISTS", 8)
    lists = ChannelLists()
    for number in range(100):
        read_hello(body(channels=[{"name": "pulse", "rate_hz": number + 1}]), lists)
        assert len(lists._known) <= 8

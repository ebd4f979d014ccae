"""The remembered layouts agree with the full check on everything, first time and again."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relay.layouts import MAX_LAYOUTS, Layouts
from relay.wire import Refusal, WireError, check, decode
from tests.relay.packets import encoded, mutated, simple


def verdict(what: object) -> object:
    try:
        return what() if callable(what) else None
    except WireError as error:
        return error.code


@given(st.lists(mutated() | encoded, min_size=1, max_size=10))
def test_remembering_changes_no_verdict(raws: list[bytes]) -> None:
    layouts = Layouts()
    for raw in [*raws, *raws]:
        assert verdict(lambda raw=raw: layouts.check(raw, 16)) == verdict(lambda raw=raw: check(raw))


@given(encoded, st.integers(1, 16))
def test_channels_that_the_hello_did_not_name_are_refused(raw: bytes, channels: int) -> None:
    layouts = Layouts()
    highest = max(block.channel for block in decode(raw).blocks)
    for _ in range(2):
        found = verdict(lambda: layouts.check(raw, channels))
        assert found == (check(raw) if highest < channels else Refusal.FORMAT)


def test_a_known_layout_with_an_absurd_time_is_refused() -> None:
    layouts = Layouts()
    layouts.check(simple(1), 1)
    raw = bytearray(simple(2))
    raw[15] = 0x40
    with pytest.raises(WireError) as caught:
        layouts.check(bytes(raw), 1)
    assert caught.value.code is Refusal.TIME


def test_made_up_layouts_cost_no_memory() -> None:
    layouts = Layouts()
    for samples in range(1, 1025):
        for channel in range(5):
            layouts.check(simple(0, samples=samples, channel=channel), 16)
    assert len(layouts) <= MAX_LAYOUTS

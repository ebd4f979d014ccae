from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from loadtest import messages
from loadtest.physiology import CHANNELS
from relay.hello import read_hello


@given(st.integers(1, 2**64 - 1), st.integers(0, 2**32 - 1))
def test_the_template_is_the_hello(stream: int, lowest: int) -> None:
    template = messages.HelloTemplate(CHANNELS)
    text = template.text("NPG7M5C7G46SRHY4", stream, lowest)
    assert text == messages.hello("NPG7M5C7G46SRHY4", stream, lowest, CHANNELS)
    found = read_hello(messages.parse(text))
    assert (found.stream, found.lowest, found.channels) == (stream, lowest, CHANNELS)
    assert found.consent == messages.CONSENT_TEXT


def test_what_is_no_message_is_empty() -> None:
    for text in ("", "[]", "{", '{"type":3}', "null"):
        assert messages.parse(text) == {}

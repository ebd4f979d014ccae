"""The ear against datagrams that an independent library (python-osc) builds, and the specification's examples."""

from __future__ import annotations

import pytest
from pythonosc import osc_bundle_builder, osc_message_builder

from loadtest import osc_reader
from loadtest.show_engine import MATCH_WITHIN_S, OPENED_S, ShowEngine


def bundle(*messages: tuple[str, list[object]]) -> bytes:
    made = osc_bundle_builder.OscBundleBuilder(osc_bundle_builder.IMMEDIATELY)
    for address, arguments in messages:
        one = osc_message_builder.OscMessageBuilder(address)
        for argument in arguments:
            one.add_arg(argument)
        made.add_content(one.build())
    raw: bytes = made.build().dgram
    return raw


def test_examples_of_the_osc_specification() -> None:
    """Open Sound Control 1.0 specification, its two examples."""
    one = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
    assert list(osc_reader.messages(one)) == [("/oscillator/4/frequency", (440.0,))]
    two = bytes.fromhex("2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d")
    ((address, arguments),) = osc_reader.messages(two)
    assert address == "/foo"
    assert arguments[:3] == (1000, -1, "hello")
    assert arguments[3:] == pytest.approx((1.234, 5.678))


def test_a_bundle_of_another_library_is_read() -> None:
    raw = bundle(("/tick", [1, 2, 3, 4]), ("/seats/state", [257, *range(8)]), ("/part", ["rest"]), ("/b", [b"abc"]))
    assert list(osc_reader.messages(raw)) == [
        ("/tick", (1, 2, 3, 4)), ("/seats/state", (257, *range(8))), ("/part", ("rest",)), ("/b", (b"abc",)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "raw", [b"", b"/x", b"nothing\0", b"/x\0\0,q\0\0", b"/x\0\0,i\0\0\1", b"#bundle\0" + bytes(12)]
)
def test_what_is_no_osc_is_counted_not_raised(raw: bytes) -> None:
    ear = ShowEngine(0, {})
    try:
        ear.receive(raw, 1.0)
        assert ear.heard.datagrams == 1
    finally:
        ear.close()


@pytest.fixture
def ear() -> ShowEngine:
    made = ShowEngine(0, {5: 2, 6: 3})
    made.close()
    return made


def opened(ear: ShowEngine) -> float:
    """Outputs opened long enough ago that wakings count; the probes of seats 5 and 6 are silent."""
    ear.receive(
        bundle(("/tick", [1, 1, 0, 0]), ("/house/arousal", [0.5, 1.0, 10]), ("/seats/state", [4, 3, 4, 6])), 0.0
    )
    return OPENED_S + 1.0


def test_a_waking_is_timed_to_the_state_that_shows_it(ear: ShowEngine) -> None:
    at_s = opened(ear)
    ear.woken(2, at_s)
    ear.receive(bundle(("/tick", [1, 2, 0, 0]), ("/seats/state", [5, 3])), at_s + 0.042)
    ear.receive(bundle(("/tick", [1, 3, 0, 0]), ("/seats/state", [5, 4])), at_s + 2.0)
    ear.settle(at_s + 10.0)
    ((when_s, took_s),) = ear.heard.latencies
    assert (when_s, took_s) == pytest.approx((at_s, 0.042))
    assert ear.heard.missed == 0


def test_a_waking_that_never_shows_counts_as_the_worst(ear: ShowEngine) -> None:
    at_s = opened(ear)
    ear.woken(3, at_s)
    ear.settle(at_s + 10.0)
    assert ear.heard.missed == 1
    assert ear.heard.latency.largest_s == MATCH_WITHIN_S


def test_a_waking_counts_as_soon_as_it_shows(ear: ShowEngine) -> None:
    """A step of a search may be shorter than what a waking is waited for."""
    at_s = opened(ear)
    ear.woken(3, at_s)
    ear.woken(2, at_s + 0.1)
    ear.receive(bundle(("/tick", [1, 2, 0, 0]), ("/seats/state", [5, 3])), at_s + 0.15)
    ear.settle(at_s + 0.5)
    assert [s for _, s in ear.heard.latencies] == pytest.approx([0.05])
    assert ear.waits_s(at_s, at_s + 0.5) == pytest.approx([0.5])
    assert ear.waits_s(at_s + 0.2, at_s + 0.5) == []
    ear.settle(at_s + 10.0)
    assert ear.heard.missed == 1


def test_nothing_is_expected_of_closed_outputs(ear: ShowEngine) -> None:
    ear.woken(2, 1.0)
    ear.settle(100.0)
    assert ear.heard.latency.count == 0
    at_s = opened(ear)
    ear.expecting = False
    ear.woken(2, at_s)
    ear.settle(at_s + 10)
    assert ear.heard.latency.count == 0


def test_series_sections_and_lost_snapshots(ear: ShowEngine) -> None:
    ear.receive(bundle(("/tick", [1, 1, 0, 0]), ("/house/arousal", [0.6, 0.9, 40]),
                       ("/section/stalls/arousal", [0.7, 0.8, 20]), ("/house/synchrony", [0.2, 1.0])), 3.0)  # fmt: skip
    ear.receive(bundle(("/tick", [1, 4, 0, 0])), 3.05)
    heard = ear.heard
    assert heard.house[0] == pytest.approx((3.0, 0.6, 0.9, 40))
    assert list(heard.sections) == ["stalls"]
    assert heard.sections["stalls"] == pytest.approx((3.0, 0.7, 20))
    assert (heard.snapshots, heard.lost_sequences) == (2, 2)
    ear.receive(bundle(("/tick", [2, 0, 0, 0])), 4.0)
    assert heard.epoch == 2

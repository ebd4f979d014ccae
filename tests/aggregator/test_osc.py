"""Open Sound Control: the specification's own examples, the address scheme, and python-osc as independent decoder."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_message import OscMessage

import aggregator.outputs
from aggregator.outputs.osc import (
    SCHEME_VERSION,
    OscError,
    OscLayout,
    OscSettings,
    ServiceState,
    bundle,
    message,
    plan_revision,
)
from aggregator.snapshot import PerformerValue, SeatState
from relay.parts import PARTS
from relay.seat_plan import SeatPlan, generated
from tests.aggregator.helper_outputs import HOUSE_MS, estimate, snapshot

FULL = OscSettings(seat_confidence=True, per_seat=True, seat_datagrams_a_tick=10_000)
PERFORMER = PerformerValue(
    "first violin", 0.7, 0.9, 3, {"pulse": (0.6, 0.8), "skin": (0.4, 0.5)}, (("beat", 0.82, 0.4, 17),), (0.3, 0.1)
)

Message = tuple[str, list[Any]]


def decoded(datagram: bytes | memoryview) -> list[Message]:
    """Every message of one datagram, by python-osc."""
    assert OscBundle.dgram_is_bundle(bytes(datagram))
    assert bytes(datagram[8:16]) == bytes([0] * 7 + [1]), "time tag immediately"
    whole = OscBundle(bytes(datagram))
    return [(m.address, list(m.params)) for m in whole if isinstance(m, OscMessage)]


def messages(datagrams: list[memoryview]) -> Iterator[Message]:
    for datagram in datagrams:
        yield from decoded(datagram)


def copies(datagrams: list[memoryview]) -> list[memoryview]:
    return [memoryview(bytes(d)) for d in datagrams]


# The two examples of The Open Sound Control 1.0 Specification, "Examples", also in SHOW_OUTPUT's check values.
def test_specification_example_frequency() -> None:
    expected = "2f6f7363 696c6c61 746f722f 342f6672 65717565 6e637900 2c660000 43dc0000"
    assert message("/oscillator/4/frequency", "f", 440.0) == bytes.fromhex(expected)


def test_specification_example_foo() -> None:
    expected = "2f666f6f 00000000 2c696973 66660000 000003e8 ffffffff 68656c6c 6f000000 3f9df3b6 40b5b22d"
    assert message("/foo", "iisff", 1000, -1, "hello", 1.234, 5.678) == bytes.fromhex(expected)


@pytest.mark.parametrize(
    ("address", "types", "args"),
    [
        ("foo", "f", (1.0,)),
        ("/foo", "ff", (1.0,)),
        ("/foo", "f", (float("nan"),)),
        ("/foo", "f", (float("inf"),)),
        ("/foo", "i", (2**31,)),
        ("/foo", "b", (1,)),
        ("/foo", "f", ("1",)),
        ("/foo", "s", (1,)),
        ("/foo", "s", ("é",)),
        ("/foo", "s", ("a\0b",)),
    ],
)
def test_what_a_message_cannot_carry_is_refused(address: str, types: str, args: tuple[Any, ...]) -> None:
    with pytest.raises(OscError):
        message(address, types, *args)


ARGUMENTS = st.one_of(
    st.tuples(st.just("i"), st.integers(-(2**31), 2**31 - 1)),
    st.tuples(st.just("f"), st.floats(width=32, allow_nan=False, allow_infinity=False)),
    st.tuples(st.just("s"), st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40)),
)


@given(st.from_regex(r"(/[a-z0-9-]{1,24}){1,4}", fullmatch=True), st.lists(ARGUMENTS, max_size=12))
@settings(max_examples=200, deadline=None)
def test_any_message_comes_back_from_an_independent_decoder(address: str, pairs: list[tuple[str, Any]]) -> None:
    types, values = "".join(t for t, _ in pairs), [v for _, v in pairs]
    ((found, params),) = decoded(bundle([message(address, types, *values)]))
    assert found == address
    assert params == values


@pytest.mark.parametrize("seats", [1, 50, 257, 2_500, 20_000])
def test_every_datagram_is_whole_small_enough_and_opens_with_the_tick(seats: int) -> None:
    plan = generated(seats)
    layout = OscLayout(plan, FULL)
    shot = snapshot(plan, 7, performers=(PERFORMER,))
    sent = layout.encode(shot, now_s=0.0)
    for datagram in sent:
        assert len(datagram) <= FULL.max_datagram_bytes
        first, params = decoded(datagram)[0]
        assert (first, params) == ("/tick", [3, 7, HOUSE_MS // 1000, 350_000])
    assert len(sent) == len(layout.datagrams()) + 1  # the first snapshot sends everything, and the performer


def test_house_sections_and_part() -> None:
    plan = generated(300)
    house = estimate(0.62, confidence=0.7, counted=211)
    got = dict(messages(OscLayout(plan).encode(snapshot(plan, house=house), now_s=0.0)))
    assert got["/part"] == ["piece"]
    assert got["/house/arousal"] == [pytest.approx(0.62), pytest.approx(0.7), 211]
    assert got["/house/spread"] == [pytest.approx(0.52), pytest.approx(0.62), pytest.approx(0.72)]
    assert got["/house/slope"] == [-0.25]
    assert got["/house/synchrony"] == [pytest.approx(0.3), pytest.approx(0.6)]
    for i, section in enumerate(plan.sections):
        assert got[f"/section/{section.key}/arousal"] == [pytest.approx(0.3 + 0.1 * i), pytest.approx(0.8), 40]


def gathered(sent: list[Message], address: str, seats: int) -> list[Any]:
    """The seats of one dense stream, put together as a receiver would."""
    found: list[Any] = [None] * seats
    for name, params in sent:
        if name == address:
            found[params[0] - 1 : params[0] - 1 + len(params) - 1] = params[1:]
    return found


@pytest.mark.parametrize("seats", [50, 600])
def test_seat_values_arrive_as_they_are_in_the_snapshot(seats: int) -> None:
    plan = generated(seats)
    shot = snapshot(plan)
    sent = list(messages(OscLayout(plan, FULL).encode(shot, now_s=0.0)))
    assert np.array_equal(gathered(sent, "/seats/arousal", seats), shot.arousal)
    assert np.array_equal(gathered(sent, "/seats/confidence", seats), shot.confidence)
    assert np.array_equal(gathered(sent, "/seats/state", seats), shot.state)
    single = dict(sent)
    for seat in (1, seats):
        expected = [shot.arousal[seat - 1], shot.confidence[seat - 1]]
        assert single[f"/seat/{seat:04d}/arousal"] == expected
        assert single[f"/seat/{seat:04d}/state"] == [shot.state[seat - 1]]


def test_default_streams() -> None:
    plan = generated(300)
    names = {a for a, _ in messages(OscLayout(plan).encode(snapshot(plan, performers=(PERFORMER,)), now_s=0.0))}
    assert "/seats/arousal" in names
    assert "/seats/state" in names
    assert "/seats/confidence" not in names
    assert not any(n.startswith("/seat/") for n in names)


def test_performer() -> None:
    plan = generated(50)
    got = dict(messages(OscLayout(plan).encode(snapshot(plan, performers=(PERFORMER,)), now_s=0.0)))
    assert got["/performer/1/arousal"] == [pytest.approx(0.7), pytest.approx(0.9)]
    assert got["/performer/1/channel/pulse"] == [pytest.approx(0.6), pytest.approx(0.8)]
    assert got["/performer/1/event/beat"] == [pytest.approx(0.82), pytest.approx(0.4), 17]
    assert got["/performer/1/linkage"] == [pytest.approx(0.3), pytest.approx(0.1)]


def test_performer_values_that_are_no_numbers_or_names_are_left_out() -> None:
    plan = generated(50)
    odd = PerformerValue(
        "x", float("nan"), 1.0, 3, {"a/b": (0.1, 0.1), "ok": (2.0, -1.0)}, (("beat", float("inf"), 0, 1),)
    )
    got = dict(messages(OscLayout(plan).encode(snapshot(plan, performers=(odd,)), now_s=0.0)))
    assert {a: p for a, p in got.items() if a.startswith("/performer")} == {
        "/performer/1/channel/ok": [1.0, 0.0],
        "/performer/1/linkage": [0.0, 0.0],
    }


def test_a_performer_keeps_the_number_of_the_card_when_another_comes_or_goes() -> None:
    """What is tuned to one performer must never be driven by another."""
    plan = generated(50)
    layout = OscLayout(plan)
    viola, bass = replace(PERFORMER, name="viola", number=1), replace(PERFORMER, name="bass", number=2, arousal=0.2)
    for present in ((viola,), (bass, viola), (bass,)):
        got = dict(messages(layout.encode(snapshot(plan, performers=present), now_s=0.0)))
        heard = {a.split("/")[2]: p[0] for a, p in got.items() if a.startswith("/performer") and a.endswith("arousal")}
        assert heard == {str(p.number): pytest.approx(p.arousal) for p in present}


@pytest.mark.parametrize("prefix", ["", "/hall"])
def test_no_address_is_a_prefix_of_another(prefix: str) -> None:
    plan = generated(300)
    layout = OscLayout(plan, replace(FULL, prefix=prefix))
    addresses = {a for a, _ in messages(layout.encode(snapshot(plan, performers=(PERFORMER,)), now_s=0.0))}
    beat = layout.heartbeat(epoch=1, sequence=1, time_ms=1, role="lead", state=1, part="piece")
    addresses |= {a for a, _ in decoded(beat)}
    assert len(addresses) > 600
    for address in addresses:
        assert address.startswith(prefix + "/")
        above = address.split("/")
        assert not {"/".join(above[:n]) for n in range(1, len(above))} & addresses, address


def test_unchanged_seats_stay_silent_until_the_refresh() -> None:
    plan = generated(2_560)
    layout = OscLayout(plan, OscSettings(seat_datagrams_a_tick=1000))
    shot = snapshot(plan)
    layout.encode(shot, now_s=0.0)
    blocks = []
    for tick in range(1, 41):  # two seconds at 20 Hz
        names = [a for a, _ in messages(layout.encode(shot, now_s=tick / 20))]
        assert "/house/arousal" in names
        blocks.append(names.count("/seats/arousal"))
    assert max(blocks) <= 1
    assert sum(blocks[:30]) == 10  # ten blocks, each once in 1.5 s


@pytest.mark.parametrize("rate_hz", [1, 2, 20, 44])
def test_every_block_returns_within_the_refresh_time(rate_hz: int) -> None:
    plan = generated(20_000)
    layout = OscLayout(plan)
    shot = snapshot(plan)
    seen: dict[int, float] = {}
    for tick in range(5 * rate_hz):
        now_s = tick / rate_hz
        for address, params in messages(layout.encode(shot, now_s=now_s)):
            if address == "/seats/arousal":
                seen[params[0]] = now_s
        late = now_s - 2.0 - 1 / rate_hz
        assert tick < 3 * rate_hz or min(seen.values()) >= late, "a block stayed away for over two seconds and a tick"
    assert len(seen) == 79


def test_only_a_block_whose_seat_moved_by_the_deadband_is_sent() -> None:
    plan = generated(2_560)
    layout = OscLayout(plan, OscSettings(refresh_s=60.0))
    shot = snapshot(plan)
    layout.encode(shot, now_s=0.0)
    moved = shot.arousal.copy()
    moved[300] = moved[300] - 0.003 if moved[300] > 0.5 else moved[300] + 0.003  # below 1/255
    small = [p for a, p in messages(layout.encode(replace(shot, arousal=moved), now_s=0.01)) if a == "/seats/arousal"]
    assert small == []
    moved[300] = moved[300] - 0.01 if moved[300] > 0.5 else moved[300] + 0.01
    large = [p for a, p in messages(layout.encode(replace(shot, arousal=moved), now_s=0.02)) if a == "/seats/arousal"]
    assert [p[0] for p in large] == [257]
    assert large[0][1:] == moved[256:512].tolist()


def test_small_steps_add_up_to_the_deadband() -> None:
    plan = generated(50)
    layout = OscLayout(plan, OscSettings(refresh_s=60.0))
    shot = replace(snapshot(plan), arousal=np.full(50, 0.5, np.float32))
    layout.encode(shot, now_s=0.0)
    sent = 0
    for tick in range(1, 11):
        shot = replace(shot, arousal=(shot.arousal + np.float32(0.001)).astype(np.float32))
        names = [a for a, _ in messages(layout.encode(shot, now_s=tick / 1000))]
        sent += names.count("/seats/arousal")
    assert sent == 2  # 0.010 in steps of 0.001, deadband 0.0039


def test_a_burst_is_bounded_and_nothing_is_lost() -> None:
    plan = generated(20_000)
    layout = OscLayout(plan, OscSettings(seat_datagrams_a_tick=20))
    received: list[Message] = []
    for tick in range(4):  # 79 blocks, 20 a tick
        sent = list(messages(layout.encode(snapshot(plan, tick + 1), now_s=tick / 20)))
        assert sum(a == "/seats/arousal" for a, _ in sent) <= 20
        received += sent
    assert np.array_equal(gathered(received, "/seats/arousal", 20_000), snapshot(plan).arousal)


@pytest.mark.parametrize("part", [*PARTS, "unheard-of"])
def test_closed_parts_let_only_the_tick_and_the_part_leave(part: str) -> None:
    plan = generated(300)
    names = {a for a, _ in messages(OscLayout(plan, FULL).encode(snapshot(plan, part=part), now_s=0.0))}
    if part in PARTS and PARTS[part].open:
        assert "/seats/arousal" in names
    else:
        assert names == {"/tick", "/part"}


def test_opening_sends_every_seat_again() -> None:
    plan = generated(600)
    layout = OscLayout(plan, OscSettings(refresh_s=60.0))
    shot = snapshot(plan)
    layout.encode(shot, now_s=0.0)
    layout.encode(replace(shot, part="interval"), now_s=0.05)
    sent = list(messages(layout.encode(shot, now_s=0.1)))
    assert np.array_equal(gathered(sent, "/seats/arousal", 600), shot.arousal)


def test_resend_sends_every_seat_again() -> None:
    plan = generated(600)
    layout = OscLayout(plan, OscSettings(refresh_s=60.0))
    shot = snapshot(plan)
    layout.encode(shot, now_s=0.0)
    layout.resend()
    sent = list(messages(layout.encode(shot, now_s=0.01)))
    assert np.array_equal(gathered(sent, "/seats/arousal", 600), shot.arousal)


def test_never_not_a_number() -> None:
    plan = generated(50)
    layout = OscLayout(plan, FULL)
    good = snapshot(plan, house=estimate(0.6))
    copies(layout.encode(good, now_s=0.0))
    broken = good.arousal.copy()
    broken[[3, 9]] = np.nan, np.inf
    bad = replace(good, arousal=broken, house=replace(good.house, arousal=float("nan"), slope=float("inf")))
    layout.resend()
    sent = list(messages(layout.encode(bad, now_s=0.1)))
    got = dict(sent)
    assert got["/house/arousal"][0] == pytest.approx(0.6)
    assert got["/house/slope"] == [-0.25]
    assert np.array_equal(gathered(sent, "/seats/arousal", 50), good.arousal)
    assert layout.replaced == 2 + 2 * 2  # two numbers of the house, two seats in two streams


def test_values_stay_between_zero_and_one() -> None:
    plan = generated(50)
    shot = snapshot(plan)
    wild = replace(shot, arousal=(shot.arousal * 4 - 2).astype(np.float32), house=replace(shot.house, confidence=1.5))
    sent = list(messages(OscLayout(plan).encode(wild, now_s=0.0)))
    assert np.array_equal(gathered(sent, "/seats/arousal", 50), np.clip(wild.arousal, 0, 1))
    assert dict(sent)["/house/arousal"][1] == 1.0


def test_heartbeat() -> None:
    plan = generated(300)
    layout = OscLayout(plan)
    beat = layout.heartbeat(epoch=4, sequence=9, time_ms=5_250, role="spare", state=ServiceState.HOLDING, part="rest")
    assert decoded(beat) == [
        ("/tick", [4, 9, 5, 250_000]),
        ("/service/status", [4, 9, "spare", 6]),
        ("/plan", [300, 3, SCHEME_VERSION, plan_revision(plan)]),
        ("/part", ["rest"]),
    ]


def test_service_states_have_the_scheme_s_numbers() -> None:
    names = "starting running frozen neutral safe stopping holding partial closed stand_in"
    assert {s.name.lower(): int(s) for s in ServiceState} == {n: i for i, n in enumerate(names.split())}


def test_sequence_epoch_and_seconds_wrap_inside_their_words() -> None:
    plan = generated(10)
    shot = replace(snapshot(plan), sequence=2**31 + 5, epoch=2**31 + 1, cut_ms=2**31 * 1000 + 1)
    assert decoded(OscLayout(plan).encode(shot, now_s=0.0)[0])[0] == ("/tick", [1, 5, -(2**31), 1000])


def test_plan_revision_follows_the_plan() -> None:
    plan = generated(50)
    assert plan_revision(plan) == plan_revision(generated(50))
    others = (
        replace(plan, labels=("Z1", *plan.labels[1:])),
        replace(plan, x=plan.x + 1),
        replace(plan, section=plan.section[::-1].copy()),
    )
    assert len({plan_revision(p) for p in (plan, *others)}) == 4


def test_small_datagrams_carry_smaller_blocks() -> None:
    plan = generated(600)
    small = OscSettings(prefix="/a-rather-long-prefix-of-a-hall", max_datagram_bytes=300, seat_datagrams_a_tick=1000)
    shot = snapshot(plan)
    sent = OscLayout(plan, small).encode(shot, now_s=0.0)
    assert max(len(d) for d in sent) <= 300
    address = small.prefix + "/seats/arousal"
    assert np.array_equal(gathered(list(messages(sent)), address, 600), shot.arousal)


@pytest.mark.parametrize(
    ("bad", "key"),
    [
        (OscSettings(prefix="hall"), "prefix"),
        (OscSettings(prefix="/hall/"), "prefix"),
        (OscSettings(max_datagram_bytes=100), "max_datagram_bytes"),
        (OscSettings(seats_per_block=0), "seats_per_block"),
        (OscSettings(refresh_s=0.0), "refresh_s"),
        (OscSettings(seat_datagrams_a_tick=0), "seat_datagrams_a_tick"),
    ],
)
def test_settings_out_of_range_are_named(bad: OscSettings, key: str) -> None:
    (problem,) = bad.problems()
    assert problem.startswith(f"{key}: found ")
    with pytest.raises(OscError, match=key):
        OscLayout(generated(10), bad)


def test_a_snapshot_of_another_house_is_refused() -> None:
    with pytest.raises(OscError, match="51 seats, the plan 50"):
        OscLayout(generated(50)).encode(snapshot(generated(51)), now_s=0.0)


def test_a_section_name_that_is_no_address_part_is_refused() -> None:
    plan: SeatPlan = generated(10, (("Box 1", "Box 1"),))
    with pytest.raises(OscError, match="Box 1"):
        OscLayout(plan)


def test_state_numbers_leave_as_integers() -> None:
    plan = generated(9)
    shot = replace(snapshot(plan), state=np.arange(9, dtype=np.uint8))
    sent = list(messages(OscLayout(plan).encode(shot, now_s=0.0)))
    assert gathered(sent, "/seats/state", 9) == [int(s) for s in SeatState]


def test_the_document_lists_every_address_with_its_types() -> None:
    text = (Path(aggregator.outputs.__file__).parent / "OSC.md").read_text()
    rows = re.findall(r"^\| `(/[^`]+)` \| (.+?) \| ", text, flags=re.MULTILINE)
    documented = {address: "".join(re.findall(r"`(\w+)`", types)) for address, types in rows}
    plan = generated(300)
    layout = OscLayout(plan, FULL)
    datagrams = layout.encode(snapshot(plan, performers=(PERFORMER,)), now_s=0.0)
    beat = layout.heartbeat(epoch=1, sequence=1, time_ms=1, role="lead", state=1, part="piece")
    sent: dict[str, str] = {}
    for address, params in [*messages(datagrams), *decoded(beat)]:
        general = re.sub(r"(?<=^/seat/)\d{4}", "NNNN", re.sub(r"(?<=^/performer/)\d+", "N", address))
        general = re.sub(r"(?<=/section/)[^/]+|(?<=/channel/)[^/]+|(?<=/event/)[^/]+", "NAME", general)
        types = "".join({float: "f", int: "i", str: "s"}[type(p)] for p in params)
        sent[general] = types[:2] if general.startswith("/seats/") else types
    assert documented == sent
    for state in ServiceState:
        assert f"{int(state)} {state.name.lower().replace('_', '-')}" in text
    for seat_state in SeatState:
        assert f"{int(seat_state)} {seat_state.name.lower().replace('_', ' ')}" in text
    closed = [name for name, rules in PARTS.items() if not rules.open]
    assert "in `" + "`, `".join(closed[:-1]) + f"` and `{closed[-1]}` no value leaves" in text

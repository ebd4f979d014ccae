"""Bus entries: what is encoded is decoded, and anything else is one kind of error."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, get_args

import numpy as np
import orjson
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from relay.entries import (
    Baseline,
    Channel,
    Command,
    Consent,
    Control,
    Departure,
    EntryError,
    Erase,
    HousePrior,
    Join,
    Marker,
    Merged,
    Origin,
    Part,
    PerformerSeries,
    Setting,
    Skip,
    decode_control,
    decode_packets,
    encode_control,
    encode_packets,
    is_packets,
)

BIG = 2**64 - 1
EXAMPLES: tuple[Control, ...] = (
    Join(BIG, 1, 12, "audience", (Channel("pulse", 50.0, "raw", 0.5, -1.0),), 3, "a / b / c", 0.5, ""),
    Departure(BIG, 1, "goodbye"),
    Consent(BIG, True, "1"),
    Erase(BIG),
    Skip(BIG, 1, 2, 2**32 - 1),
    Part("piece"),
    Marker("the bell", 250),
    Baseline("load", "viola", {"viola": [0.5, 1.0]}),
    HousePrior({"rate": 1.0}, {"rate": 2.0}),
    PerformerSeries("viola", 1_700_000_000_000, 250, [0.1, 0.2], [0.1], 240),
    Origin(1_700_000_000_000, 20.0, 3),
    Merged(5, (1, 2), 3),
    Command("freeze", {"on": True}),
    Setting("outputs.rate", [1, "two"]),
)


@pytest.mark.parametrize("event", EXAMPLES, ids=lambda event: type(event).__name__)
def test_control_entries_come_back(event: Control) -> None:
    payload = encode_control(event)
    assert decode_control(payload) == event
    assert not is_packets(payload)


def test_every_control_entry_has_an_example() -> None:
    assert {type(event) for event in EXAMPLES} == set(get_args(Control))


@given(st.binary(max_size=200) | st.binary(max_size=60).map(lambda tail: b"\x02\x01" + tail))
def test_other_bytes_are_one_kind_of_error(payload: bytes) -> None:
    assume(payload != encode_packets([], [], [], []))  # eight bytes that are a batch
    for read in (decode_control, decode_packets):
        with pytest.raises(EntryError):
            read(payload)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**64 - 1) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@given(st.sampled_from(EXAMPLES), st.data())
def test_a_field_of_another_kind_never_raises_anything_else(event: Control, data: st.DataObject) -> None:
    import orjson

    body: dict[str, Any] = orjson.loads(encode_control(event)[2:])
    body[data.draw(st.sampled_from(sorted(body)))] = data.draw(JSON)
    try:
        decode_control(b"\x02\x01" + orjson.dumps(body))
    except EntryError:
        return


@given(
    st.lists(
        st.tuples(st.integers(0, BIG), st.integers(0, BIG), st.floats(-5, 1e6), st.binary(max_size=50)), max_size=20
    )
)
def test_packet_batches_come_back(rows: list[tuple[int, int, float, bytes]]) -> None:
    listeners, streams, ages, raws = ([row[k] for row in rows] for k in range(4))
    batch = decode_packets(encode_packets(listeners, streams, ages, raws))  # type: ignore[arg-type]
    assert batch.records["listener"].tolist() == listeners
    assert batch.records["stream"].tolist() == streams
    np.testing.assert_array_equal(batch.records["age_ms"], np.clip(np.rint(ages), 0, 65535))
    assert [batch.payload[a : a + n] for a, n in zip(batch.starts, batch.records["size"], strict=True)] == raws


@pytest.mark.parametrize("cut", range(1, 60))
def test_a_cut_batch_is_an_error(cut: int) -> None:
    payload = encode_packets([1, 2], [3, 4], [0, 5], [b"abcdef", b"ghi"])
    with pytest.raises(EntryError):
        decode_packets(payload[:-cut])


@pytest.mark.parametrize("event", EXAMPLES, ids=lambda e: type(e).__name__)
def test_a_control_entry_is_its_kind_and_its_fields(event: Control) -> None:
    """The layout at the head of relay.entries, written the long way."""
    body = orjson.dumps({"kind": type(event).__name__.lower(), **asdict(event)})
    assert encode_control(event) == bytes((2, 1)) + body

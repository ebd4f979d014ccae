"""The packet layout: what is encoded is decoded, one and many decode alike, and every refusal has its rule."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relay.wire import (
    MAX_PACKET_BYTES,
    MISSING_INT16,
    Batch,
    Block,
    Packet,
    Refusal,
    WireError,
    check,
    decode,
    decode_batch,
    encode,
    refusals,
)
from tests.relay.packets import VALID, encoded, mutated, packets, simple


def batch_of(raws: list[bytes], before: bytes = b"") -> tuple[bytes, np.ndarray, np.ndarray]:
    sizes = np.array([len(raw) for raw in raws], np.int64)
    return before + b"".join(raws), len(before) + np.cumsum(sizes) - sizes, sizes


@given(packets)
def test_decode_gives_what_was_encoded(packet: Packet) -> None:
    back = decode(encode(packet))
    assert (back.sequence, back.time_us) == (packet.sequence, packet.time_us)
    for ours, theirs in zip(packet.blocks, back.blocks, strict=True):
        assert (ours.channel, ours.offset_us) == (theirs.channel, theirs.offset_us)
        assert ours.samples.tobytes() == theirs.samples.tobytes()
        assert (ours.times_us is None) == (theirs.times_us is None)
        if ours.times_us is not None and theirs.times_us is not None:
            np.testing.assert_array_equal(ours.times_us, theirs.times_us)


@given(st.lists(mutated() | encoded, min_size=1, max_size=8), st.binary(max_size=5))
def test_a_batch_says_the_same_as_one_by_one(raws: list[bytes], before: bytes) -> None:
    buffer, starts, sizes = batch_of(raws, before)
    batch = decode_batch(buffer, starts, sizes)
    alone = refusals(raws)
    assert batch.ok.tolist() == [refusal is None for refusal in alone]
    place = 0
    for number, raw in enumerate(raws):
        if not batch.ok[number]:
            assert not (batch.packet == number).any()
            continue
        packet = decode(raw)
        assert (batch.sequence[number], batch.time_us[number]) == (packet.sequence, packet.time_us)
        for block in packet.blocks:
            assert_block(batch, place, number, packet, block)
            place += 1
    assert place == len(batch.packet)


def assert_block(batch: Batch, place: int, number: int, packet: Packet, block: Block) -> None:
    first, count = batch.first[place], batch.count[place]
    assert (batch.packet[place], batch.channel[place], count) == (number, block.channel, len(block.samples))
    assert batch.start_us[place] == packet.time_us + block.offset_us
    assert batch.timed[place] == (block.times_us is not None)
    expected = block.samples.astype(np.float64)
    missing = block.samples == MISSING_INT16 if block.samples.dtype == np.int16 else ~np.isfinite(expected)
    expected[missing] = np.nan
    np.testing.assert_array_equal(batch.raw[first : first + count], expected)
    times = block.times_us if block.times_us is not None else np.zeros(count, np.int64)
    np.testing.assert_array_equal(batch.since_us[first : first + count], times - times[0])


@given(mutated())
def test_check_says_the_same_of_every_kind_of_buffer(raw: bytes) -> None:
    def verdict(given_as: bytes | bytearray | memoryview) -> int | Refusal:
        try:
            return check(given_as)
        except WireError as error:  # and nothing else, ever
            return error.code

    assert verdict(raw) == verdict(bytearray(raw)) == verdict(memoryview(raw))


@pytest.mark.parametrize("size", range(len(VALID)))
def test_every_cut_is_refused(size: int) -> None:
    assert refusals([VALID[:size]]) == [Refusal.LENGTH]


@pytest.mark.parametrize("junk", [b"\0", b"\1\1", VALID])
def test_trailing_junk_is_refused(junk: bytes) -> None:
    assert refusals([VALID + junk]) == [Refusal.LENGTH]


def edited(at: int, form: str, value: int) -> bytes:
    raw = bytearray(VALID)
    struct.pack_into(form, raw, at, value)
    return bytes(raw)


BROKEN: dict[str, tuple[bytes, Refusal]] = {
    "version 0": (edited(0, "<B", 0), Refusal.VERSION),
    "version 2": (edited(0, "<B", 2), Refusal.VERSION),
    "empty": (b"", Refusal.LENGTH),
    "too long": (VALID + bytes(MAX_PACKET_BYTES), Refusal.LENGTH),
    "no block": (edited(1, "<B", 0), Refusal.BLOCKS),
    "17 blocks": (edited(1, "<B", 17), Refusal.BLOCKS),
    "more blocks than bytes": (VALID[:16] .replace(b"\x01\x03", b"\x01\x10", 1) + VALID[16:40], Refusal.LENGTH),
    "flags": (edited(2, "<H", 1), Refusal.BLOCKS),
    "format 3": (edited(17, "<B", 3), Refusal.FORMAT),
    "format 255": (edited(17, "<B", 255), Refusal.FORMAT),
    "channel 16": (edited(16, "<B", 16), Refusal.FORMAT),
    "no sample": (edited(18, "<H", 0), Refusal.COUNT),
    "absurd count": (edited(18, "<H", 65535), Refusal.COUNT),
    "offset": (edited(20, "<I", 10_000_001), Refusal.TIME),
    "time": (edited(8, "<Q", 1 << 62), Refusal.TIME),
    "one sample too many": (edited(18, "<H", 14), Refusal.LENGTH),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_each_rule_refuses_by_its_name(name: str) -> None:
    raw, code = BROKEN[name]
    assert refusals([raw, VALID]) == [code, None]
    buffer, starts, sizes = batch_of([raw, VALID])
    assert decode_batch(buffer, starts, sizes).ok.tolist() == [False, True]


def test_every_rule_has_a_case() -> None:
    assert {code for _, code in BROKEN.values()} == set(Refusal)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Block(0, 0, np.zeros(0, np.int16)),
        lambda: Block(0, 0, np.zeros(1025, np.int16)),
        lambda: Block(0, 10_000_001, np.zeros(1, np.int16)),
        lambda: Block(16, 0, np.zeros(1, np.int16)),
        lambda: Block(0, 0, np.zeros(2, np.int16), np.array([0, 6_553_600])),
        lambda: Block(0, 0, np.zeros(2, np.int16), np.array([0, -100])),
    ],
)
def test_encode_refuses_what_a_decoder_would(make: Callable[[], Block]) -> None:
    with pytest.raises(WireError):
        encode(Packet(0, 0, (make(),)))


def test_missing_samples_are_nan() -> None:
    raw = encode(Packet(0, 0, (
        Block(0, 0, np.array([1, MISSING_INT16, 3], np.int16)),
        Block(1, 0, np.array([np.nan, np.inf, -np.inf, 4], np.float32)),
    )))  # fmt: skip
    buffer, starts, sizes = batch_of([raw])
    np.testing.assert_array_equal(decode_batch(buffer, starts, sizes).raw, [1, np.nan, 3, np.nan, np.nan, np.nan, 4])


def test_an_empty_batch_is_a_batch() -> None:
    batch = decode_batch(b"", np.zeros(0, np.int64), np.zeros(0, np.int64))
    assert len(batch.ok) == len(batch.packet) == len(batch.raw) == 0


def test_places_outside_the_buffer_are_refused() -> None:
    raw = simple(1)
    starts = np.array([-1, 0, 5, 10_000], np.int64)
    assert decode_batch(raw, starts, np.full(4, len(raw))).ok.tolist() == [False, True, False, False]

"""Packets and broken packets for the tests: built valid, then broken in one known way."""

from __future__ import annotations

import struct

import numpy as np
from hypothesis import strategies as st

from relay.wire import Block, Packet, encode

VALID = encode(
    Packet(
        7,
        1_000_000,
        (
            Block(0, 0, np.arange(13, dtype=np.int16)),
            Block(1, 20_000, np.array([2.5, 2.75], np.float32)),
            Block(2, 0, np.array([330], np.int16), np.array([0], np.int64)),
        ),
    )
)


def simple(sequence: int, time_us: int = 0, samples: int = 13, channel: int = 0) -> bytes:
    """One int16 block, the usual packet."""
    return encode(Packet(sequence, time_us, (Block(channel, 0, np.zeros(samples, np.int16)),)))


@st.composite
def blocks(draw: st.DrawFn) -> Block:
    count = draw(st.integers(1, 90))  # six of them still fit in a packet
    channel, offset_us = draw(st.integers(0, 15)), draw(st.integers(0, 10_000_000))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    samples: np.ndarray = random.integers(-32768, 32768, count).astype(np.int16)
    if draw(st.booleans()):
        samples = random.normal(size=count).astype(np.float32)
        if draw(st.booleans()):
            samples[random.integers(count)] = draw(st.sampled_from([np.nan, np.inf, -np.inf]))
    times = None
    if draw(st.booleans()):
        times = np.cumsum(np.r_[0, random.integers(0, 65536, count - 1)]).astype(np.int64) * 100
    return Block(channel, offset_us, samples, times)


packets = st.builds(
    lambda sequence, time_us, made: Packet(sequence, time_us, tuple(made)),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**62 - 1),
    st.lists(blocks(), min_size=1, max_size=6),
)
encoded = packets.map(encode)


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A valid packet, broken (or not) by one to three edits: bytes set, a field set, cut, junk after."""
    raw = bytearray(draw(encoded))
    for _ in range(draw(st.integers(0, 3))):
        how = draw(st.sampled_from(["byte", "u16", "u32", "cut", "junk"]))
        at = draw(st.integers(0, max(len(raw) - 1, 0)) | st.integers(0, 40))
        if how == "byte" and at < len(raw):
            raw[at] = draw(st.integers(0, 255))
        elif how == "u16" and at + 2 <= len(raw):
            raw[at : at + 2] = struct.pack("<H", draw(st.sampled_from([0, 1, 1024, 1025, 32768, 65535])))
        elif how == "u32" and at + 4 <= len(raw):
            raw[at : at + 4] = struct.pack("<I", draw(st.sampled_from([0, 10_000_000, 10_000_001, 2**31, 2**32 - 1])))
        elif how == "cut":
            del raw[at:]
        else:
            raw += draw(st.binary(max_size=9))
    return bytes(raw)

"""Layouts of packets: what packets of one make of phone have in common, as a structure for numpy. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from relay.wire import (
    DESCRIPTOR_BYTES,
    FLOAT32,
    HEADER_BYTES,
    MAX_BLOCKS,
    MAX_SAMPLES_A_BLOCK,
    SAMPLE_BYTES,
    TIMES_FLAG,
    VERSION,
)

LAYOUTS_KEPT = 256  # makes times packet lengths of an evening; more only costs building them again


@dataclass(frozen=True, slots=True)
class Layout:
    """``dtype`` with fields head, sequence, time_us and, for block i, block<i>, offset<i>, samples<i> and, where timed,
    times<i>; the values that ``head`` and ``described`` (block<i>) must have; ``blocks`` (channel, format, count).
    ``repeats``: a channel has more than one block."""

    dtype: np.dtype[Any]
    head: int
    described: tuple[int, ...]
    blocks: tuple[tuple[int, int, int], ...]
    repeats: bool


def signature(packet: bytes) -> bytes:
    """What two packets of one layout have in common: the header's first four bytes and each descriptor's."""
    blocks = packet[1]
    ends = range(HEADER_BYTES, HEADER_BYTES + DESCRIPTOR_BYTES * blocks, DESCRIPTOR_BYTES)
    return packet[:4] + b"".join(packet[at : at + 4] for at in ends)


@lru_cache(maxsize=LAYOUTS_KEPT)
def layout_of(fixed: bytes, size: int) -> Layout | None:
    """The layout with this signature for packets of ``size`` bytes; None where relay.wire would refuse them."""
    version, blocks, flags = fixed[0], fixed[1], int.from_bytes(fixed[2:4], "little")
    body = HEADER_BYTES + DESCRIPTOR_BYTES * blocks
    if version != VERSION or not 0 < blocks <= MAX_BLOCKS or flags or size <= body or len(fixed) != 4 + 4 * blocks:
        return None
    names, formats, offsets = ["head", "sequence", "time_us"], ["<u4", "<u4", "<u8"], [0, 4, 8]
    found, described = [], []
    for i in range(blocks):
        word = fixed[4 + 4 * i : 8 + 4 * i]
        channel, code, count = word[0], word[1], int.from_bytes(word[2:], "little")
        if code not in SAMPLE_BYTES or channel >= MAX_BLOCKS or not 0 < count <= MAX_SAMPLES_A_BLOCK:
            return None
        wide = code & ~TIMES_FLAG == FLOAT32
        at = HEADER_BYTES + DESCRIPTOR_BYTES * i
        names += [f"block{i}", f"offset{i}", f"samples{i}"]
        formats += ["<u4", "<u4", f"({count},){'<f4' if wide else '<i2'}"]
        offsets += [at, at + 4, body]
        if code & TIMES_FLAG:
            names.append(f"times{i}")
            formats.append(f"({count},)<u2")
            offsets.append(body + (4 if wide else 2) * count)
        body += SAMPLE_BYTES[code] * count
        found.append((channel, code, count))
        described.append(int.from_bytes(word, "little"))
    if body != size:
        return None
    dtype = np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": size})
    repeats = len({channel for channel, _, _ in found}) < len(found)
    return Layout(dtype, int.from_bytes(fixed[:4], "little"), tuple(described), tuple(found), repeats)

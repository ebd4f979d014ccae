"""Packets of many phones at once: one byte matrix, a row a phone. Pure.

All phones of a house packet the same span of the evening, so their packets of one number differ in samples, phone
time and sequence number only: the layout is written once, the rest in a few numpy calls.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from loadtest.physiology import CHANNELS, Signals, first_sample
from relay.wire import DESCRIPTOR_BYTES, DESCRIPTOR_DTYPE, HEADER_BYTES, HEADER_DTYPE, INT16, VERSION

Bytes = NDArray[np.uint8]
MASKED_HEADER_BYTES = 8  # a client's websocket header for messages of 126 to 65,535 bytes: 2 + 2 + 4 of mask key
SHORT_HEADER_BYTES = 6
LONGEST_SHORT = 125


def build(
    sequence: NDArray[np.int64] | int,
    time_us: NDArray[np.int64],
    blocks: Sequence[tuple[int, int, NDArray[np.int16]]],
) -> Bytes:
    """Packets of n phones, shape ``(n, size)``, equal to relay.wire.encode of each row.

    Args:
        sequence: one number for all, or one a phone; ``time_us``: phone times (n,) of the packets' first sample.
        blocks: (channel, offset in microseconds, samples int16 (n, count)); blocks without samples are left out.
    """
    blocks = [b for b in blocks if b[2].shape[1]]
    body = HEADER_BYTES + DESCRIPTOR_BYTES * len(blocks)
    size = body + sum(2 * b[2].shape[1] for b in blocks)
    made = np.empty((len(time_us), size), np.uint8)
    head = np.zeros(len(time_us), HEADER_DTYPE)
    head["version"], head["blocks"] = VERSION, len(blocks)
    head["sequence"], head["time_us"] = sequence, time_us
    made[:, :HEADER_BYTES] = head.view(np.uint8).reshape(len(time_us), HEADER_BYTES)
    for number, (channel, offset_us, samples) in enumerate(blocks):
        descriptor = np.array([(channel, INT16, samples.shape[1], offset_us)], DESCRIPTOR_DTYPE)
        at = HEADER_BYTES + DESCRIPTOR_BYTES * number
        made[:, at : at + DESCRIPTOR_BYTES] = descriptor.view(np.uint8)
        raw = np.ascontiguousarray(samples, "<i2").view(np.uint8)
        made[:, body : body + raw.shape[1]] = raw
        body += raw.shape[1]
    return made


def part(signals: Signals, t0_s: float, t1_s: float) -> Signals:
    """The samples at t0 <= time < t1 of signals that cover more: equal to having asked for those alone."""

    def cut(channel: int, first: int) -> tuple[slice, int]:
        rate_hz = CHANNELS[channel].rate_hz
        begin = first_sample(t0_s, rate_hz)
        return slice(begin - first, first_sample(t1_s, rate_hz) - first), begin

    (pulse, pulse_first), (skin, skin_first) = cut(0, signals.pulse_first), cut(1, signals.skin_first)
    (slow, slow_first), (motion, motion_first) = cut(2, signals.temperature_first), cut(3, signals.motion_first)
    return Signals(
        signals.pulse[:, pulse],
        signals.skin[:, skin],
        signals.temperature[:, slow],
        None if signals.motion is None else signals.motion[:, motion],
        pulse_first,
        skin_first,
        slow_first,
        motion_first,
    )


def blocks_of(signals: Signals, t0_s: float) -> list[tuple[int, int, NDArray[np.int16]]]:
    """The blocks of a packet that starts at t0: channels in CHANNELS' order, offsets from t0."""
    parts = [
        (signals.pulse, signals.pulse_first),
        (signals.skin, signals.skin_first),
        (signals.temperature, signals.temperature_first),
        (signals.motion, signals.motion_first),
    ]
    return [
        (number, round((first / CHANNELS[number].rate_hz - t0_s) * 1e6), samples)
        for number, (samples, first) in enumerate(parts)
        if samples is not None
    ]


def framed(packets: Bytes) -> Bytes:
    """The packets with the websocket header of a client in front: binary, unfragmented, mask key zero.

    RFC 6455 asks that clients mask, against proxies that could be fooled by chosen bytes; a mask of zero leaves the
    bytes as they are, and a load generator on its own network fools nobody.
    """
    count, size = packets.shape
    short = size <= LONGEST_SHORT
    header = SHORT_HEADER_BYTES if short else MASKED_HEADER_BYTES
    made = np.zeros((count, header + size), np.uint8)
    made[:, 0] = 0x82
    made[:, 1] = 0x80 | (size if short else 126)
    if not short:
        made[:, 2], made[:, 3] = size >> 8, size & 0xFF
    made[:, header:] = packets
    return made


def stamped(messages: Bytes) -> NDArray[np.void]:
    """The ``sequence`` and ``time_us`` fields of :func:`framed` packets, shape (n,), writable in place."""
    made: NDArray[np.void] = messages.view(_stamp_of(messages.shape[1])).reshape(-1)
    return made


@functools.cache  # a stream's packets have a handful of sizes
def _stamp_of(size: int) -> np.dtype[np.void]:
    header = SHORT_HEADER_BYTES if size - SHORT_HEADER_BYTES <= LONGEST_SHORT else MASKED_HEADER_BYTES
    fields = HEADER_DTYPE.fields
    assert fields is not None
    names = ("sequence", "time_us")
    return np.dtype({
        "names": names, "formats": [fields[n][0] for n in names],
        "offsets": [header + fields[n][1] for n in names], "itemsize": size,
    })  # fmt: skip

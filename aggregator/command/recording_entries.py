"""A recorded signal file as the stamped entries that a bus would have carried: consent, claim, parts, packets."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from aggregator.command.errors import UserError
from aggregator.listeners import MAX_RATE_HZ
from relay.entries import Channel, Consent, Control, Entry, Join, Part, Stamp, encode_control, encode_packets
from relay.wire import FLOAT32_TIMED, MAX_PACKET_BYTES, SAMPLE_BYTES, Block, Packet, encode

PACKET_US = 250_000  # a phone sends four packets a second …
SPARE_BYTES = 128  # … or more, where their samples would not fit: what header and descriptors take
T0_MS = 1_000_000_000_000  # any origin: stamps are house time, the recording's times are added back
LEAD_IN_US = 1_000_000  # phone time of the recording's first sample; phone times are unsigned
LISTENER, STREAM = 1, 1
UNITS = {"pulse": "raw", "skin": "uS", "temperature": "C"}
SLOWEST_HZ = {"pulse": 10.0, "skin": 3.4, "temperature": 0.5}  # slower than the grid's bridge: nothing would come out

Floats: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Signal:
    """One channel's samples that are there: microseconds since the recording's first row, values, even rate or None."""

    name: str
    since_us: NDArray[np.int64]
    values: NDArray[np.float32]
    even_hz: float | None
    hz: float


def signals(channels: Mapping[str, Floats], time_s: Floats, even_hz: float | None) -> tuple[Signal, ...]:
    """Each channel without its empty cells: one that fills every eighth row is a slower channel, not a broken one.

    Raises:
        UserError: a column with fewer than two numbers, or too slow for anything to be computed from it.
    """
    since_us = np.rint((time_s - time_s[0]) * 1e6).astype(np.int64)
    made = []
    for name, values in channels.items():
        there = np.isfinite(values)
        if int(there.sum()) < 2:
            raise UserError(f"the {name} column holds {int(there.sum())} numbers; at least two are needed")
        at_us = since_us[there]
        even = even_hz if there.all() and even_hz is not None and even_hz <= MAX_RATE_HZ else None
        hz = even or 1e6 / float(np.median(np.diff(at_us)))
        if hz < SLOWEST_HZ[name]:
            raise UserError(f"the {name} column: found {hz:.3g} samples a second, at least {SLOWEST_HZ[name]:g} needed")
        made.append(Signal(name, at_us, values[there].astype(np.float32), even, hz))
    return tuple(made)


def stamp_ms(since_s: float) -> int:
    """House time of a moment so many seconds after the recording's first row, rounded up as an arrival is."""
    return T0_MS + math.ceil(since_s * 1000)


def entries(played: tuple[Signal, ...], rest_s: tuple[float, float]) -> Iterator[Entry]:
    """Everything in order of time; ``rest_s`` begins and ends the resting part, in seconds since the first row."""
    channels = tuple(Channel(s.name, min(s.hz, MAX_RATE_HZ), UNITS[s.name]) for s in played)
    control: list[Control] = [
        Consent(LISTENER, True, "recording"),
        Join(LISTENER, STREAM, 1, "audience", channels),
        Part("piece"),
    ]
    n = 0
    for event in control:
        yield Entry(Stamp(T0_MS, n), 0, encode_control(event))
        n += 1
    moves = [(max(stamp_ms(rest_s[0]), T0_MS), "rest"), (stamp_ms(rest_s[1]), "piece")]
    for stamp, packet in _packets(played):
        while moves and moves[0][0] <= stamp:
            at, name = moves.pop(0)
            yield Entry(Stamp(at, n), 0, encode_control(Part(name)))
            n += 1
        yield Entry(Stamp(stamp, n), 0, encode_packets([LISTENER], [STREAM], [0], [packet]))
        n += 1


def _packets(played: tuple[Signal, ...]) -> Iterator[tuple[int, bytes]]:
    """(stamp in ms, packet): a quarter second of every channel, or a share of one, stamped at its last sample."""
    most = (MAX_PACKET_BYTES - SPARE_BYTES) // SAMPLE_BYTES[FLOAT32_TIMED] // len(played)
    last_us = max(int(s.since_us[-1]) for s in played)
    fastest = max(int(np.bincount(s.since_us // PACKET_US).max()) for s in played)
    span_us = PACKET_US // -(-fastest // most)
    sequence = 0
    for begin_us in range(0, last_us + 1, span_us):
        pieces = [(c, *np.searchsorted(s.since_us, (begin_us, begin_us + span_us))) for c, s in enumerate(played)]
        pieces = [(c, a, b) for c, a, b in pieces if b > a]
        if not pieces:
            continue
        first_us = min(int(played[c].since_us[a]) for c, a, _ in pieces)
        final_us = max(int(played[c].since_us[b - 1]) for c, _, b in pieces)
        blocks = tuple(_block(c, played[c], a, b, first_us) for c, a, b in pieces)
        raw = encode(Packet(sequence, first_us + LEAD_IN_US, blocks))
        sequence += 1
        yield T0_MS + math.ceil(final_us / 1000), raw


def _block(channel: int, signal: Signal, a: int, b: int, first_us: int) -> Block:
    at_us = signal.since_us[a:b]
    times = None if signal.even_hz else at_us - at_us[0]
    return Block(channel, int(at_us[0]) - first_us, signal.values[a:b], times)

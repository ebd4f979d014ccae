"""Small deterministic listeners for engine tests: seeded signals, packets of a quarter second, entries with stamps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from relay.bus import SHARDS
from relay.entries import (
    Channel,
    Consent,
    Control,
    Entry,
    Join,
    Stamp,
    encode_control,
    encode_packets,
)
from relay.wire import Block, Packet, encode

T0_MS = 1_700_000_000_000  # house time of the first tick in these tests
PACKET_MS = 250
CHANNELS = (
    Channel("pulse", 64.0, "raw"),
    Channel("skin", 8.0, "uS", 0.001),
    Channel("temperature", 1.0, "C", 0.01),
)


@dataclass(frozen=True, slots=True)
class Sent:
    """One packet with its arrival at the relay, house ms."""

    arrival_ms: int
    listener: int
    stream: int
    sequence: int
    raw: bytes


@dataclass(slots=True)
class Phone:
    """One simulated phone: ``rate_bpm``, ``level_us`` and wave forms follow from the seed; phone time has its own
    origin. ``excited_s``: spans of seconds during which pulse rate and skin rise."""

    listener: int
    stream: int = 1
    seat: int = 1
    seed: int = 0
    role: str = "audience"
    name: str = ""
    start_ms: int = T0_MS
    channels: tuple[Channel, ...] = CHANNELS
    excited_s: tuple[tuple[float, float], ...] = ()
    origin_us: int = field(init=False)
    rate_hz: float = field(init=False)
    level_us: float = field(init=False)
    delay_ms: int = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng((self.seed, self.listener & 0xFFFFFFFF))
        self.rate_hz = float(rng.uniform(0.9, 1.5))
        self.level_us = float(rng.uniform(1.0, 12.0))
        self.origin_us = int(rng.integers(1_000_000, 4_000_000_000))
        self.delay_ms = int(rng.integers(2, 40))

    @property
    def shard(self) -> int:
        return self.listener % SHARDS

    def controls(self) -> list[Control]:
        """The consent and the claim, in the order in which a relay writes them."""
        join = Join(self.listener, self.stream, self.seat, self.role, self.channels, name=self.name)
        return [Consent(self.listener, True, "v1"), join]

    def packet(self, sequence: int) -> Sent:
        """The packet of quarter second ``sequence``, which arrives when its last sample was taken, plus the delay."""
        first_us = sequence * PACKET_MS * 1000
        blocks = []
        for number, channel in enumerate(self.channels):
            at = np.arange(*(int(np.ceil(us * channel.rate_hz / 1e6)) for us in (first_us, first_us + 250_000)))
            if len(at):
                taken = self._signal(channel.name, at / channel.rate_hz, at)
                raw = np.clip(np.rint((taken - channel.offset) / channel.scale), -32767, 32767).astype(np.int16)
                blocks.append(Block(number, round(at[0] / channel.rate_hz * 1e6) - first_us, raw))
        raw_bytes = encode(Packet(sequence, self.origin_us + first_us, tuple(blocks)))
        arrival = self.start_ms + (sequence + 1) * PACKET_MS + self.delay_ms
        return Sent(arrival, self.listener, self.stream, sequence, raw_bytes)

    def packets(self, seconds: float, first: int = 0) -> list[Sent]:
        """Packets from sequence ``first`` on for so many seconds."""
        return [self.packet(first + i) for i in range(round(seconds * 1000 / PACKET_MS))]

    def _signal(self, name: str, t: NDArray[np.float64], at: NDArray[np.int64]) -> NDArray[np.float64]:
        up = sum(((t >= a) & (t < b)).astype(np.float64) for a, b in self.excited_s) if self.excited_s else 0.0 * t
        jitter = _hash(at, self.seed + self.listener) - 0.5
        if name == "pulse":
            phase = 2 * np.pi * self.rate_hz * (t + 0.1 * up)
            return 2000.0 * (np.sin(phase) + 0.35 * np.sin(2 * phase + 0.9)) + 40.0 * jitter
        if name == "skin":
            ripple = 0.02 * np.maximum(0.0, np.sin(2 * np.pi * t / 17 + self.level_us)) ** 4
            return self.level_us * (1.0 + ripple + 0.25 * up) + 0.002 * jitter
        if name == "temperature":
            return 33.0 + 0.05 * np.sin(t / 40) - 0.3 * up + 0.02 * jitter
        return np.sin(2 * np.pi * 0.25 * t) * 1000.0 + 10.0 * jitter


def _hash(at: NDArray[np.int64], seed: int) -> NDArray[np.float64]:
    """Noise in [0, 1) that depends only on the sample's number and the seed."""
    x = (at.astype(np.uint64) + np.uint64(seed & 0xFFFFFFFF)) * np.uint64(0x9E3779B97F4A7C15)
    x ^= x >> np.uint64(29)
    x *= np.uint64(0xBF58476D1CE4E5B9)
    return (x >> np.uint64(11)).astype(np.float64) / float(1 << 53)


@dataclass(slots=True)
class Tape:
    """Entries of an evening under construction, put in any order; stamps rise within each stream."""

    _put: list[tuple[int, int, bytes]] = field(default_factory=list)

    @property
    def entries(self) -> list[Entry]:
        """All entries by time; what was put first comes first within a millisecond."""
        made = []
        count: dict[tuple[int, int], int] = {}
        for ms, stream, payload in sorted(self._put, key=lambda put: put[0]):
            n = count[(ms, stream)] = count.get((ms, stream), -1) + 1
            made.append(Entry(Stamp(ms, n), stream, payload))
        return made

    def put(self, ms: int, stream: int, payload: bytes) -> None:
        self._put.append((ms, stream, payload))

    def control(self, ms: int, stream: int, event: Control) -> None:
        self.put(ms, stream, encode_control(event))

    def everywhere(self, ms: int, event: Control, shards: int = SHARDS) -> None:
        for stream in range(shards + 1):
            self.control(ms, stream, event)

    def send(self, sent: Iterable[Sent], every_ms: int = 10) -> None:
        """Packets as a relay would write them: flushed each ``every_ms``, ages from arrival to the flush."""
        groups: dict[tuple[int, int], list[Sent]] = {}
        for s in sent:
            groups.setdefault((-(-s.arrival_ms // every_ms) * every_ms, s.listener % SHARDS), []).append(s)
        for (ms, shard), group in sorted(groups.items(), key=lambda item: item[0]):
            self.put(ms, shard, batch(group, ms))


def batch(sent: Sequence[Sent], stamp_ms: int) -> bytes:
    """One packet batch written at ``stamp_ms``."""
    return encode_packets(
        [s.listener for s in sent], [s.stream for s in sent], [stamp_ms - s.arrival_ms for s in sent],
        [s.raw for s in sent],
    )  # fmt: skip


def house(count: int, *, seed: int = 0, excited_s: tuple[tuple[float, float], ...] = ()) -> list[Phone]:
    """Phones of an audience on seats 1..count; listener numbers are spread over all of u64 and over the shards."""
    return [
        Phone(((i * 0x9E3779B97F4A7C15 + 77) % (1 << 64)), seat=i + 1, seed=seed, excited_s=excited_s)
        for i in range(count)
    ]

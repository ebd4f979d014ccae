"""The sample packet: encode, decode one, decode thousands in a few numpy calls. Pure.

Little-endian throughout::

    offset  size  field
    0       1     version, 1
    1       1     blocks, 1..16
    2       2     flags, 0 (reserved)
    4       4     sequence number, 0..2**32 - 1
    8       8     phone time, microseconds, of the packet's first sample (any origin; must not run backwards)
    16      8*b   one descriptor a block: channel u8, format u8, count u16, offset u32 (microseconds after
                  the phone time at which the block's first sample was taken)
    ...           the blocks' samples, in the descriptors' order, unpadded

A channel is named by its place in the hello's list. Formats: 1 = int16, 2 = float32, 17 = int16 with times,
18 = float32 with times (all samples first, then a u16 a sample: the time since the sample before it in units of
100 microseconds, the first 0). In int16 formats -32768 means "no sample here". A value is
``raw * scale + offset`` with the hello's scale and offset. Samples that are NaN or infinite are treated as missing.

Errors: every refusal is a :class:`WireError` with a :class:`Refusal` code; nothing else is ever raised.
"""

from __future__ import annotations

import enum
import struct
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

VERSION = 1
HEADER_BYTES = 16
DESCRIPTOR_BYTES = 8
MAX_BLOCKS = 16  # a fingertip sensor has 3 channels, a performer's harness about 12
MAX_PACKET_BYTES = 4096  # the relay's message limit; 2 s of 100 Hz float32 with times is 1.2 kB
MAX_SAMPLES_A_BLOCK = 1024  # 2 s at 500 Hz (muscle): more is a broken client
MAX_BLOCK_OFFSET_US = 10_000_000  # a packet never spans more than the 10 s after which samples count as a gap
TIMES_FLAG = 16
TIME_UNIT_US = 100  # unit of the u16 sample times: 6.5 s between two samples at most
MAX_STEP = 65_535  # of those units, u16
MISSING_INT16 = -32768

INT16, FLOAT32, INT16_TIMED, FLOAT32_TIMED = 1, 2, 17, 18
SAMPLE_BYTES = {INT16: 2, FLOAT32: 4, INT16_TIMED: 4, FLOAT32_TIMED: 6}  # with times where the format has them

_HEADER = struct.Struct("<BBHIQ")
_DESCRIPTOR = struct.Struct("<BBHI")
_COST = np.zeros(256, dtype=np.int64)
for _code, _size in SAMPLE_BYTES.items():
    _COST[_code] = _size

HEADER_DTYPE = np.dtype(
    [("version", "u1"), ("blocks", "u1"), ("flags", "<u2"), ("sequence", "<u4"), ("time_us", "<u8")]
)
DESCRIPTOR_DTYPE = np.dtype([("channel", "u1"), ("format", "u1"), ("count", "<u2"), ("offset_us", "<u4")])


class Refusal(enum.Enum):
    """Why a packet was refused; PROTOCOL.md gives the answer to each."""

    VERSION = "version"
    LENGTH = "length"
    BLOCKS = "blocks"
    FORMAT = "format"
    COUNT = "count"
    TIME = "time"


class WireError(ValueError):
    """A packet that breaks the layout: ``code`` names the rule, ``found`` and ``allowed`` the numbers."""

    def __init__(self, code: Refusal, found: object, allowed: str) -> None:
        super().__init__(f"packet refused ({code.value}): found {found}, allowed {allowed}")
        self.code, self.found, self.allowed = code, found, allowed


def sequence_of(raw: bytes) -> int | None:
    """Where a refused packet is long enough to hold its number: the phone skips that number."""
    return int.from_bytes(raw[4:8], "little") if len(raw) >= 8 else None


@dataclass(frozen=True, slots=True)
class Block:
    """One channel's samples of one packet.

    ``samples`` are raw (int16 or float32), shape ``(count,)``; ``times_us`` is None for an even rate, else int64
    microseconds since the block's first sample, shape ``(count,)``.
    """

    channel: int
    offset_us: int
    samples: NDArray[np.int16] | NDArray[np.float32]
    times_us: NDArray[np.int64] | None = None


@dataclass(frozen=True, slots=True)
class Packet:
    """One decoded packet: sequence number, phone time in microseconds, blocks in order."""

    sequence: int
    time_us: int
    blocks: tuple[Block, ...]


def encode(packet: Packet) -> bytes:
    """The packet's bytes. Raises WireError where a decoder would refuse them."""
    descriptors, bodies = [], []
    for block in packet.blocks:
        floating = block.samples.dtype == np.float32
        code = (FLOAT32 if floating else INT16) | (TIMES_FLAG if block.times_us is not None else 0)
        if not 0 < len(block.samples) <= MAX_SAMPLES_A_BLOCK:
            raise WireError(Refusal.COUNT, len(block.samples), f"1..{MAX_SAMPLES_A_BLOCK}")
        descriptors.append(_DESCRIPTOR.pack(block.channel, code, len(block.samples), block.offset_us))
        bodies.append(block.samples.astype("<f4" if floating else "<i2").tobytes())
        if block.times_us is not None:
            ticks = np.rint(block.times_us / TIME_UNIT_US)  # rounded before the difference: errors do not add up
            steps = np.diff(ticks, prepend=ticks[:1])
            if not ((steps >= 0) & (steps <= MAX_STEP)).all():
                raise WireError(Refusal.TIME, f"a step of {steps.max():g} x 100 us", f"0..{MAX_STEP}, never backwards")
            bodies.append(steps.astype("<u2").tobytes())
    head = _HEADER.pack(VERSION, len(packet.blocks), 0, packet.sequence, packet.time_us)
    raw = b"".join((head, *descriptors, *bodies))
    check(raw)
    return raw


def check(raw: bytes | bytearray | memoryview) -> int:
    """Verify one packet's layout and return its sequence number, without touching the samples.

    Raises:
        WireError: with the first rule broken, in the order version, length, blocks, format, count, time.
    """
    size = len(raw)
    if size and raw[0] != VERSION:
        raise WireError(Refusal.VERSION, raw[0], str(VERSION))
    if not HEADER_BYTES + DESCRIPTOR_BYTES < size <= MAX_PACKET_BYTES:
        raise WireError(Refusal.LENGTH, size, f"{HEADER_BYTES + DESCRIPTOR_BYTES + 1}..{MAX_PACKET_BYTES} bytes")
    _, blocks, flags, sequence, time_us = _HEADER.unpack_from(raw)
    if not 0 < blocks <= MAX_BLOCKS or flags:
        raise WireError(Refusal.BLOCKS, f"{blocks} (flags {flags})", f"1..{MAX_BLOCKS} (flags 0)")
    body = HEADER_BYTES + DESCRIPTOR_BYTES * blocks
    if size < body:
        raise WireError(Refusal.LENGTH, size, f"at least {body} bytes for {blocks} blocks")
    for channel, code, count, offset_us in _DESCRIPTOR.iter_unpack(raw[HEADER_BYTES:body]):
        cost = SAMPLE_BYTES.get(code)
        if cost is None or channel >= MAX_BLOCKS:
            raise WireError(Refusal.FORMAT, f"channel {channel} format {code}", "channel 0..15, format 1, 2, 17 or 18")
        if not 0 < count <= MAX_SAMPLES_A_BLOCK:
            raise WireError(Refusal.COUNT, count, f"1..{MAX_SAMPLES_A_BLOCK}")
        if offset_us > MAX_BLOCK_OFFSET_US:
            raise WireError(Refusal.TIME, offset_us, f"offset up to {MAX_BLOCK_OFFSET_US} us")
        body += cost * count
    if size != body:
        raise WireError(Refusal.LENGTH, size, f"exactly {body} bytes by its own counts")
    if time_us >= 1 << 62:
        raise WireError(Refusal.TIME, time_us, "below 2**62 us")
    return int(sequence)


def decode(raw: bytes | bytearray | memoryview) -> Packet:
    """One packet. Raises WireError. The batch decoder :func:`decode_batch` gives the same numbers."""
    check(raw)
    _, blocks, _, sequence, time_us = _HEADER.unpack_from(raw)
    place = HEADER_BYTES + DESCRIPTOR_BYTES * blocks
    made = []
    for channel, code, count, offset_us in _DESCRIPTOR.iter_unpack(raw[HEADER_BYTES:place]):
        kind = "<i2" if code & ~TIMES_FLAG == INT16 else "<f4"
        samples = np.frombuffer(raw, kind, count, place)
        place += samples.nbytes
        times = None
        if code & TIMES_FLAG:
            times = np.cumsum(np.frombuffer(raw, "<u2", count, place), dtype=np.int64) * TIME_UNIT_US
            place += 2 * count
        made.append(Block(channel, offset_us, samples, times))
    return Packet(sequence, time_us, tuple(made))


@dataclass(frozen=True, slots=True)
class Batch:
    """Thousands of packets, flat. ``p`` packets, ``b`` blocks, ``s`` samples.

    Packet arrays (p,): ``ok`` bool (False: refused by the layout's rules and without blocks here), ``sequence``
    int64, ``time_us`` int64. Block arrays (b,): ``packet`` index into the packet arrays, ``channel``, ``count``,
    ``start_us`` int64 phone time of the first sample, ``timed`` bool, ``first`` index of its first sample.
    Sample arrays (s,): ``raw`` float64 unscaled, NaN where missing; ``since_us`` int64, time since the block's first
    sample where the block is timed, else 0. Samples lie in the order packet, block, time.
    """

    ok: NDArray[np.bool_]
    sequence: NDArray[np.int64]
    time_us: NDArray[np.int64]
    packet: NDArray[np.intp]
    channel: NDArray[np.int64]
    count: NDArray[np.int64]
    start_us: NDArray[np.int64]
    timed: NDArray[np.bool_]
    first: NDArray[np.int64]
    raw: NDArray[np.float64]
    since_us: NDArray[np.int64]


def decode_batch(buffer: bytes | NDArray[np.uint8], starts: NDArray[np.int64], sizes: NDArray[np.int64]) -> Batch:
    """Decode the packets that lie at ``starts`` (bytes) with ``sizes`` in one buffer; never raises on content.

    The number of numpy calls does not depend on the number of packets. Agrees with :func:`check` on which packets
    are refused (``ok``), and with :func:`decode` on every number of the others.
    """
    data = np.frombuffer(buffer, np.uint8) if isinstance(buffer, bytes) else buffer
    starts = np.asarray(starts, np.int64)
    sizes = np.asarray(sizes, np.int64)
    ok = (sizes > HEADER_BYTES + DESCRIPTOR_BYTES) & (sizes <= MAX_PACKET_BYTES)
    ok &= (starts >= 0) & (starts + sizes <= len(data))
    head = _view(data, np.where(ok, starts, 0), HEADER_DTYPE, ok)
    blocks = head["blocks"].astype(np.int64)
    ok &= (head["version"] == VERSION) & (blocks >= 1) & (blocks <= MAX_BLOCKS) & (head["flags"] == 0)
    ok &= (sizes >= HEADER_BYTES + DESCRIPTOR_BYTES * blocks) & (head["time_us"] < np.uint64(1 << 62))
    blocks = np.where(ok, blocks, 0)
    packet, place = _ragged(blocks)
    at = starts[packet] + HEADER_BYTES + DESCRIPTOR_BYTES * place
    described = _view(data, at, DESCRIPTOR_DTYPE, np.ones(len(at), np.bool_))
    count = described["count"].astype(np.int64)
    code = described["format"].astype(np.int64)
    cost = _COST[code] * count
    good = (_COST[code] > 0) & (described["channel"] < MAX_BLOCKS) & (count > 0) & (count <= MAX_SAMPLES_A_BLOCK)
    good &= described["offset_us"] <= MAX_BLOCK_OFFSET_US
    bad_blocks = np.bincount(packet[~good], minlength=len(starts))
    total = np.bincount(packet, weights=cost, minlength=len(starts)).astype(np.int64)
    ok &= (bad_blocks == 0) & (sizes == HEADER_BYTES + DESCRIPTOR_BYTES * blocks + total)
    keep = ok[packet]
    before = np.cumsum(cost) - cost
    body = np.zeros(len(starts), np.int64)
    firsts = np.flatnonzero(place == 0)
    body[packet[firsts]] = before[firsts]
    at_samples = starts[packet] + HEADER_BYTES + DESCRIPTOR_BYTES * blocks[packet] + before - body[packet]
    packet, count, code, at_samples = packet[keep], count[keep], code[keep], at_samples[keep]
    time_us = np.where(ok, head["time_us"], 0).astype(np.int64)
    raw, since, first = _samples(data, at_samples, count, code)
    return Batch(
        ok=ok,
        sequence=np.where(ok, head["sequence"], 0).astype(np.int64),
        time_us=time_us,
        packet=packet,
        channel=described["channel"][keep].astype(np.int64),
        count=count,
        start_us=time_us[packet] + described["offset_us"][keep].astype(np.int64),
        timed=(code & TIMES_FLAG) > 0,
        first=first,
        raw=raw,
        since_us=since,
    )


def _view(
    data: NDArray[np.uint8], at: NDArray[np.int64], kind: np.dtype[np.void], ok: NDArray[np.bool_]
) -> NDArray[np.void]:
    """Structures of ``kind`` at byte positions ``at``; zeros where not ``ok``."""
    made = np.zeros((len(at), kind.itemsize), np.uint8)
    if ok.any():
        made[ok] = data[at[ok][:, None] + np.arange(kind.itemsize)]
    return made.view(kind)[:, 0]


def _ragged(counts: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """For counts (2, 0, 3): owners (0, 0, 2, 2, 2) and places (0, 1, 0, 1, 2)."""
    owner = np.repeat(np.arange(len(counts)), counts)
    before = np.cumsum(counts) - counts
    return owner, np.arange(len(owner), dtype=np.int64) - before[owner]


def _samples(
    data: NDArray[np.uint8], at: NDArray[np.int64], count: NDArray[np.int64], code: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Gather every block's samples: raw values (NaN where missing), microseconds since the first, first index."""
    owner, place = _ragged(count)
    floating = ((code & ~TIMES_FLAG) == FLOAT32)[owner]
    width = np.where(floating, 4, 2)
    where = at[owner] + width * place
    raw = np.empty(len(owner), np.float64)
    whole = ~floating
    short = (data[where[whole]] | (data[where[whole] + 1].astype(np.uint16) << 8)).view(np.int16)
    raw[whole] = np.where(short == MISSING_INT16, np.nan, short)
    if floating.any():
        wide = data[where[floating][:, None] + np.arange(4)].view("<f4")[:, 0].astype(np.float64)
        raw[floating] = np.where(np.isfinite(wide), wide, np.nan)
    first = np.cumsum(count) - count
    since = np.zeros(len(owner), np.int64)
    timed = ((code & TIMES_FLAG) > 0)[owner]
    if timed.any():
        spot = (at + np.where((code & ~TIMES_FLAG) == FLOAT32, 4, 2) * count)[owner][timed] + 2 * place[timed]
        steps = np.zeros(len(owner), np.int64)
        steps[timed] = data[spot] | (data[spot + 1].astype(np.int64) << 8)
        run = np.cumsum(steps)
        since = np.where(timed, (run - (run - steps)[first[owner]]) * TIME_UNIT_US, 0)
    return raw, since, first


def refusals(packets: Sequence[bytes]) -> list[Refusal | None]:
    """For each packet the rule it breaks, or None (used by tests and by the relay's counters)."""
    made: list[Refusal | None] = []
    for raw in packets:
        try:
            check(raw)
            made.append(None)
        except WireError as error:
            made.append(error.code)
    return made

"""What aggregators that share a house tell each other at every tick, as bytes. Pure.

A message is one head, a JSON object, and for a part the arrays, little-endian::

    version u8 = 1, kind u8, portion u8, portions u8, plan u32, sender u64, token u64, k u32, meta u32, seats u32
    meta bytes of JSON
    seat u32 (n), own f64 (n), confidence f64 (n), state u8 (n), faded u32 (f), fade f64 (f),
    blank bin u16 (b), blank weight u32 (b), then for each synchrony told its three sums i64 (features, samples),
    then for each performer linked f32 (3, n)

``kind`` 1 is a part (``aggregator.snapshot.PartSnapshot`` of one portion at tick k, under the lease's token), 2 a word
of presence (aggregator.shards), 3 a farewell. ``plan`` is a checksum of the seat plan, ``sender`` of the name: who
hears its own message, or one of another plan, need not open it. Histograms are not sent: they are what
``aggregator.house.section_histograms`` makes of the seats, here as there, bit for bit. ``faded`` lists the seats whose
fade is not 0. The linkage with performers changes every 10 s; it is sent when it changed and once a second, otherwise
its ``mark`` alone. A seat costs 21 bytes, one that fades 12 more.

Bounded: no more seats than the plan has, 256 kB of JSON. Whatever is not as described is a PartError: readers count
it and go on. A number that is not known (a beat's interval after a gap) is null. Does not check who may send: that is
the token's business (aggregator.collector) and the bus's password's.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any
from zlib import crc32

import numpy as np
import orjson
from numpy.typing import NDArray

from aggregator.house import section_histograms
from aggregator.portions import shards_of
from aggregator.shards import Presence
from aggregator.snapshot import BINS, STATES, WEIGHT_UNIT, Links, PartSnapshot, PerformerValue, SynchronySums
from aggregator.synchrony import FEATURES, WINDOW
from relay.bus import SHARDS
from relay.seat_plan import SeatPlan

VERSION = 1
PART, PRESENCE, FAREWELL = 1, 2, 3
MAX_META_BYTES = 1 << 18  # sixteen performers' events and a hundred counters are a tenth of it
MAX_NAME = 200  # characters of an aggregator's name
MAX_PERFORMERS = 64
TOKEN_LIMIT = 1 << 31  # leases' tokens stay below it (leases_redis): a larger one would fence a portion for good
_HEAD = struct.Struct("<BBBBIQQIII")
_SUMS = (len(FEATURES), WINDOW)


class PartError(ValueError):
    """Not a message of this version, or one that says what cannot be."""


@dataclass(frozen=True, slots=True)
class Head:
    """What is known of a message without opening it; ``meta`` and ``seats`` are sizes."""

    kind: int
    portion: int
    of: int
    plan: int
    sender: int
    token: int
    k: int
    meta: int = 0
    seats: int = 0


@dataclass(frozen=True, slots=True)
class ToldPart:
    """A part as received; ``mark`` of its linkage, ``links`` None where only the mark was sent."""

    head: Head
    part: PartSnapshot
    mark: int
    links: Links | None


def sender_of(name: str) -> int:
    """A name's number in heads."""
    return crc32(name.encode()) | crc32(name[::-1].encode()) << 32


def plan_mark(plan: SeatPlan) -> int:
    """Checksum of sections and of who sits in which: what histograms depend on."""
    keys = "\0".join(s.key for s in plan.sections)
    return crc32(plan.section.astype("<i8").tobytes(), crc32(keys.encode()))


def read_head(raw: bytes) -> Head:
    """Raises PartError."""
    if len(raw) < _HEAD.size:
        raise PartError(f"part: {len(raw)} bytes, a head has {_HEAD.size}")
    version, *rest = _HEAD.unpack_from(raw)
    head = Head(*rest)
    if version != VERSION or head.kind not in (PART, PRESENCE, FAREWELL):
        raise PartError(f"part: found version {version}, kind {head.kind}, allowed version {VERSION}, kinds 1..3")
    if not 1 <= head.of <= SHARDS or head.portion >= head.of or head.meta > MAX_META_BYTES:
        raise PartError(f"part: found portion {head.portion} of {head.of}, {head.meta} bytes of JSON")
    if head.token >= TOKEN_LIMIT:
        raise PartError(f"part: found token {head.token}, allowed below {TOKEN_LIMIT}")
    return head


def _message(head: Head, meta: dict[str, Any], *arrays: NDArray[Any]) -> bytes:
    text = orjson.dumps(meta)
    if len(text) > MAX_META_BYTES:
        raise PartError(f"part: {len(text)} bytes of JSON, allowed {MAX_META_BYTES}")
    h = replace(head, meta=len(text))
    packed = _HEAD.pack(VERSION, h.kind, h.portion, h.of, h.plan, h.sender, h.token, h.k, h.meta, h.seats)
    return b"".join((packed, text, *(np.ascontiguousarray(a).tobytes() for a in arrays)))


def encode_presence(word: Presence, of: int, *, farewell: bool = False) -> bytes:
    """A word of presence, or the last one. Raises PartError for a name that is too long."""
    if not 0 < len(word.name) <= MAX_NAME:
        raise PartError(f"name: found {len(word.name)} characters, allowed 1..{MAX_NAME}")
    meta = {
        "name": word.name, "owned": sorted(word.owned.items()), "warm": sorted(word.warm),
        "building": sorted(word.building),
    }  # fmt: skip
    return _message(Head(FAREWELL if farewell else PRESENCE, 0, of, 0, sender_of(word.name), 0, 0), meta)


def decode_presence(raw: bytes) -> Presence:
    """Raises PartError."""
    head = read_head(raw)
    meta = _meta(head, raw, len(raw) - _HEAD.size)
    try:
        name, owned = meta["name"], {int(i): int(token) for i, token in meta["owned"]}
        warm, building = frozenset(map(int, meta["warm"])), frozenset(map(int, meta["building"]))
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise PartError(f"presence unreadable: {error}") from error
    if head.kind == PART or not isinstance(name, str) or not 0 < len(name) <= MAX_NAME:
        raise PartError("presence: found no name, or another kind of message")
    if not all(0 <= i < head.of for i in (*owned, *warm, *building)) or head.sender != sender_of(name):
        raise PartError("presence: found a portion that does not exist, or another sender's name")
    return Presence(name, owned, warm, building)


def encode_part(
    part: PartSnapshot, portion: int, of: int, plan: int, sender: int, token: int, *, mark: int = 0, links: bool = True
) -> bytes:
    """One portion's part under the lease's token. ``mark``: changes with its linkage, which is told if ``links``.

    Raises:
        PartError: of other shards than the portion's, or beyond the bounds.
    """
    if part.shards != tuple(shards_of(portion, of)):
        raise PartError(f"part: of shards {part.shards}, expected portion {portion} of {of}")
    faded, blank = np.flatnonzero(part.fade), np.flatnonzero(part.blank_weights)
    told = [s for s in (part.synchrony, part.blank_synchrony) if s is not None and s.valid.any()]
    names = sorted(part.links) if links else []
    meta = {
        "cut_ms": part.cut_ms, "epoch": part.epoch, "part": part.part, "faded": len(faded), "blank": len(blank),
        "blank_sum": part.blank_sum, "synchrony": [_end(part.synchrony), _end(part.blank_synchrony)],
        "performers": part.performers, "left_out": part.left_out, "counters": part.counters, "mark": mark,
        "links": names if links else None,
    }  # fmt: skip
    arrays = [
        part.seat.astype("<u4"), part.own, part.confidence, part.state, faded.astype("<u4"), part.fade[faded],
        blank.astype("<u2"), part.blank_weights[blank].astype("<u4"),
    ]  # fmt: skip
    sums = [a for s in told for a in (s.z, s.zz, s.valid)]
    tables = [part.links[name] for name in names]
    return _message(
        Head(PART, portion, of, plan, sender, token, part.k, 0, len(part.seat)), meta, *arrays, *sums, *tables
    )


def _end(sums: SynchronySums | None) -> list[Any] | None:
    """The window's end, and whether anybody is in it."""
    return None if sums is None else [sums.end_ms, bool(sums.valid.any())]


def decode_part(raw: bytes, plan: SeatPlan) -> ToldPart:
    """Open and check a part. Raises PartError."""
    head = read_head(raw)
    if head.kind != PART or head.seats > plan.seats:
        raise PartError(f"part: found kind {head.kind}, {head.seats} seats, allowed {plan.seats}")
    meta = _meta(head, raw, head.meta)
    try:
        return _open(head, meta, _Reader(raw, _HEAD.size + head.meta), plan)
    except (KeyError, TypeError, ValueError, IndexError, OverflowError, AttributeError) as error:
        raise error if isinstance(error, PartError) else PartError(f"part unreadable: {error}") from error


def _meta(head: Head, raw: bytes, size: int) -> dict[str, Any]:
    if head.meta != size:
        raise PartError(f"message of {len(raw)} bytes: its JSON should have {head.meta}")
    try:
        meta = orjson.loads(raw[_HEAD.size : _HEAD.size + size])
    except orjson.JSONDecodeError as error:
        raise PartError(f"message's JSON is unreadable: {error}") from error
    if not isinstance(meta, dict):
        raise PartError("message's JSON is no object")
    return meta


class _Reader:
    """Arrays one after the other; more than there is raises ValueError."""

    def __init__(self, raw: bytes, at: int) -> None:
        self.raw, self.at = raw, at

    def take(self, kind: str, *shape: int) -> NDArray[Any]:
        count, dtype = math.prod(shape), np.dtype(kind)
        if count < 0 or self.at + count * dtype.itemsize > len(self.raw):
            raise PartError(f"part is cut: {len(self.raw)} bytes")
        made = np.frombuffer(self.raw, dtype, count, self.at).reshape(shape)
        self.at += count * dtype.itemsize
        return made


def _check(right: object, what: str) -> None:
    if not right:
        raise PartError(f"part: {what}")


def _whole(value: object, most: int = 1 << 53) -> int:
    if type(value) is not int or not -most <= value <= most:  # not shown: it may be nested, or half a megabyte
        raise PartError(f"part: found {type(value).__name__}, expected a whole number within {most}")
    return value


def _share(values: NDArray[np.float64], what: str) -> NDArray[np.float64]:
    _check(((values >= 0.0) & (values <= 1.0)).all(), f"{what} outside 0..1")
    return values


def _open(head: Head, meta: dict[str, Any], reader: _Reader, plan: SeatPlan) -> ToldPart:
    n, faded, blank = head.seats, _whole(meta["faded"]), _whole(meta["blank"])
    _check(0 <= faded <= n and 0 <= blank <= BINS, f"{faded} of {n} fade, {blank} bins")
    seat = reader.take("<u4", n).astype(np.int64)
    _check(n == 0 or (seat[0] >= 1 and seat[-1] <= plan.seats and (np.diff(seat) > 0).all()), "seats beyond the plan")
    own, confidence = (_share(reader.take("<f8", n), what) for what in ("own", "confidence"))
    state = reader.take("u1", n)
    _check((state < STATES).all(), f"a state above {STATES - 1}")
    at, some = reader.take("<u4", faded), _share(reader.take("<f8", faded), "fade")
    _check((at < n).all(), "a fade of no seat")
    fade = np.zeros(n)
    fade[at] = some
    weights, sums, counted = section_histograms(
        2.0 * own - 1.0, confidence, plan.section[seat - 1], len(plan.sections)
    )  # fmt: skip
    counts = np.bincount(plan.section[seat - 1] * STATES + state, minlength=len(plan.sections) * STATES)
    part = PartSnapshot(
        k=head.k, cut_ms=_whole(meta["cut_ms"]), epoch=_whole(meta["epoch"]),
        shards=tuple(shards_of(head.portion, head.of)), part=_text(meta["part"]), seat=seat, own=own,
        confidence=confidence, state=state, fade=fade, weights=weights, sums=sums, counted=counted,
        states=counts.astype(np.int64).reshape(-1, STATES), blank_weights=_blank(reader, blank),
        blank_sum=_whole(meta["blank_sum"]), synchrony=_sums(meta["synchrony"][0], reader),
        blank_synchrony=_sums(meta["synchrony"][1], reader),
        performers=_performers(meta["performers"]), left_out=_left_out(meta["left_out"]),
        counters=_counts(meta["counters"]),
    )  # fmt: skip
    links = None if meta["links"] is None else {_text(x): reader.take("<f4", 3, n) for x in _few(meta["links"])}
    _check(all(np.isfinite(table).all() for table in (links or {}).values()), "linkage that is no number")
    _check(reader.at == len(reader.raw), "more bytes than it should have")
    return ToldPart(head, part, _whole(meta["mark"]), links)


def _blank(reader: _Reader, count: int) -> NDArray[np.int64]:
    at, weight = reader.take("<u2", count), reader.take("<u4", count)
    _check((at < BINS).all() and (weight % WEIGHT_UNIT == 0).all(), "no histogram of blank sensors")
    made = np.zeros(BINS, np.int64)
    made[at] = weight
    return made


def _sums(told: Any, reader: _Reader) -> SynchronySums | None:
    if told is None:
        return None
    end_ms, some = told
    if not some:
        return SynchronySums(_whole(end_ms), *(np.zeros(_SUMS, np.int64) for _ in range(3)))
    z, zz, valid = (reader.take("<i8", *_SUMS) for _ in range(3))
    _check(((valid >= 0) & (valid < 1 << 32)).all(), "synchrony of nobody")
    return SynchronySums(_whole(end_ms), z, zz, valid)


def _few(values: Any) -> list[Any]:
    _check(isinstance(values, list) and len(values) <= MAX_PERFORMERS, f"more than {MAX_PERFORMERS} of a list")
    return list(values)


def _text(value: Any) -> str:
    _check(isinstance(value, str) and len(value) <= MAX_NAME, "a name that is none")
    return str(value)


def _number(value: Any) -> float:
    _check(type(value) in (int, float) and math.isfinite(value), f"found {type(value).__name__}, expected a number")
    return value  # type: ignore[no-any-return]


def _known(value: Any) -> float:
    """NaN where nothing is known, as the engine has it."""
    return math.nan if value is None else _number(value)


def _unit(value: Any) -> float:
    _check(0.0 <= _number(value) <= 1.0, "a performer's value outside 0..1")
    return value  # type: ignore[no-any-return]


def _state(value: Any) -> int:
    _check(0 <= _whole(value) < STATES, f"a state above {STATES - 1}")
    return value  # type: ignore[no-any-return]


def _pair(values: Any, kind: Callable[[Any], Any] = _number) -> tuple[Any, Any]:
    first, second = values
    return kind(first), kind(second)


def _performers(values: Any) -> tuple[PerformerValue, ...]:
    return tuple(
        PerformerValue(
            _text(p["name"]),
            _unit(p["arousal"]),
            _unit(p["confidence"]),
            _state(p["state"]),
            {_text(name): _pair(pair, _unit) for name, pair in p["channels"].items()},
            tuple((_text(name), _known(v), _number(age), _whole(n)) for name, v, age, n in p["events"]),
            _pair(p["linkage"]),
            _whole(p["number"]),
        )
        for p in _few(values)
    )


def _left_out(values: Any) -> dict[str, tuple[int, int]]:
    return {_text(channel): _pair(pair, _whole) for channel, pair in values.items()}


def _counts(values: Any) -> dict[str, int]:
    return {_text(name): _whole(count) for name, count in values.items()}

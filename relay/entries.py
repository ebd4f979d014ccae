"""What travels on the bus: packet batches and every other stamped entry. Pure.

Everything that can change a snapshot is an entry, so that live, replay and take-over cannot differ. A payload is
``kind u8, version u8`` and then either a packet batch (binary) or one control entry (JSON)::

    packets  1, 1, u16 0, u32 n, n records (listener u64, stream u64, age_ms u16, size u16), the packets' bytes
    control  2, 1, UTF-8 JSON object with "kind" and the fields of the dataclass of that name

The stamp is the bus's own (house time): a control entry never carries its own time, only an age.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple, get_args

import numpy as np
import orjson
from numpy.typing import NDArray

from relay.wire import MAX_PACKET_BYTES

PACKETS, CONTROL = 1, 2
ENTRY_VERSION = 1
MAX_AGE_MS = 65_535  # u16; older is written as this and counts as a gap anyway (10 s limit)
RECORD_DTYPE = np.dtype([("listener", "<u8"), ("stream", "<u8"), ("age_ms", "<u2"), ("size", "<u2")])
_BATCH_HEAD_BYTES = 8


class Stamp(NamedTuple):
    """The bus's mark on an entry: house time in whole milliseconds and a counter within it. Total order a stream."""

    ms: int
    n: int


FIRST = Stamp(0, 0)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as read from the bus: ``stream`` is a shard's number, or the number of shards for the house's."""

    stamp: Stamp
    stream: int
    payload: bytes


class EntryError(ValueError):
    """A payload that is no entry of this version; readers count it and go on."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel as the hello names it; value = raw * scale + offset in ``unit``."""

    name: str
    rate_hz: float
    unit: str
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Join:
    """A stream claims a listener: the newest claim by stamp is the one whose packets count."""

    listener: int
    stream: int
    seat: int
    role: str
    channels: tuple[Channel, ...]
    lowest: int = 0
    sensor: str = ""
    battery: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Departure:
    """A stream ended: ``goodbye`` (the listener left) or ``closed`` (the connection did)."""

    listener: int
    stream: int
    reason: str


@dataclass(frozen=True, slots=True)
class Consent:
    """The listener's answer to the consent text of that version; ``answer`` False withdraws."""

    listener: int
    answer: bool
    text: str


@dataclass(frozen=True, slots=True)
class Erase:
    """Rows cleared, and the listener refused for the rest of the evening."""

    listener: int


@dataclass(frozen=True, slots=True)
class Skip:
    """A known loss: the phone discarded packets ``first`` to ``last`` of this stream."""

    listener: int
    stream: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Part:
    """The evening moves to this part (relay.parts); on every shard's stream and the house's."""

    name: str


@dataclass(frozen=True, slots=True)
class Marker:
    """A moment someone named, ``age_ms`` before the stamp."""

    label: str
    age_ms: int = 0


@dataclass(frozen=True, slots=True)
class Baseline:
    """``undo`` the last resting baseline, or ``load`` saved ones (performers, by role name) from ``values``."""

    action: str
    name: str = ""
    values: dict[str, list[float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class HousePrior:
    """The house's location and scale a feature (natural units of dsp.baseline), valid from the tick of its stamp."""

    location: dict[str, float]
    scale: dict[str, float]


@dataclass(frozen=True, slots=True)
class PerformerSeries:
    """A performer's fused series for the shards' linkage: ``values`` at ``step_ms`` from ``start_ms`` house time, less
    their running mean; ``house`` the house's for the last of these times, of ``counted`` listeners."""

    name: str
    start_ms: int
    step_ms: int
    values: list[float]
    house: list[float] = field(default_factory=list)
    counted: int = 0


@dataclass(frozen=True, slots=True)
class Origin:
    """The tick clock: t0 in whole ms of house time, ticks a second, and the epoch that starts here."""

    t0_ms: int
    tick_hz: float
    epoch: int


@dataclass(frozen=True, slots=True)
class Merged:
    """The lead's list from tick k on, until the next: the shards that were missing and are held (all of them: the tick
    was not merged). Of lists of several leads those of a lower ``epoch`` that come later do not count."""

    k: int
    missing: tuple[int, ...]
    epoch: int = 0


@dataclass(frozen=True, slots=True)
class Command:
    """An operator's or show engine's command to the outputs: freeze, safe, neutral, mute … with its arguments."""

    name: str
    arguments: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting changed during the evening, by its key in evening.toml."""

    key: str
    value: Any


Control = (
    Join
    | Departure
    | Consent
    | Erase
    | Skip
    | Part
    | Marker
    | Baseline
    | HousePrior
    | PerformerSeries
    | Origin
    | Merged
    | Command
    | Setting
)
_KINDS: dict[str, type[Any]] = {c.__name__.lower(): c for c in get_args(Control)}
MAX_CONTROL_BYTES = 65_536


def encode_control(event: Control) -> bytes:
    """The payload of one control entry."""
    fields_text = orjson.dumps(event)  # a dataclass's own fields, "{...}": a tenth of what asdict costs
    return b'%c%c{"kind":"%s",%s' % (CONTROL, ENTRY_VERSION, type(event).__name__.lower().encode(), fields_text[1:])


def decode_control(payload: bytes) -> Control:
    """The control entry in a payload. Raises EntryError for anything else."""
    if len(payload) < 2 or payload[0] != CONTROL or payload[1] != ENTRY_VERSION or len(payload) > MAX_CONTROL_BYTES:
        raise EntryError(
            f"not a control entry of version {ENTRY_VERSION}: begins {payload[:2]!r}, {len(payload)} bytes"
        )
    try:
        body = orjson.loads(payload[2:])
        made = _KINDS[body.pop("kind")]
        if made is Join:
            body["channels"] = tuple(Channel(**c) for c in body["channels"])
        if made is Merged:
            body["missing"] = tuple(body["missing"])
        event: Control = made(**{f.name: body[f.name] for f in fields(made) if f.name in body})
        return event
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise EntryError(f"control entry unreadable: {error}") from error


def encode_packets(
    listeners: Sequence[int], streams: Sequence[int], ages_ms: Sequence[float], packets: Sequence[bytes]
) -> bytes:
    """The payload of one packet batch; ages are milliseconds between a packet's arrival and this writing."""
    records = np.empty(len(packets), RECORD_DTYPE)
    records["listener"] = np.asarray(listeners, np.uint64)
    records["stream"] = np.asarray(streams, np.uint64)
    records["age_ms"] = np.clip(np.rint(ages_ms), 0, MAX_AGE_MS)
    records["size"] = [len(p) for p in packets]
    head = bytes((PACKETS, ENTRY_VERSION, 0, 0)) + len(packets).to_bytes(4, "little")
    return b"".join((head, records.tobytes(), *packets))


@dataclass(frozen=True, slots=True)
class PacketBatch:
    """A packet batch opened without touching the packets: ``records`` (n,) of RECORD_DTYPE, and where each lies.

    ``starts`` int64 (n,): byte positions in ``payload`` (for relay.wire.decode_batch).
    """

    records: NDArray[np.void]
    starts: NDArray[np.int64]
    payload: bytes


def decode_packets(payload: bytes) -> PacketBatch:
    """Open a packet batch. Raises EntryError when its lengths do not add up."""
    if len(payload) < _BATCH_HEAD_BYTES or payload[0] != PACKETS or payload[1] != ENTRY_VERSION:
        raise EntryError(f"not a packet batch of version {ENTRY_VERSION}: begins {payload[:2]!r}")
    count = int.from_bytes(payload[4:8], "little")
    body = _BATCH_HEAD_BYTES + count * RECORD_DTYPE.itemsize
    if len(payload) < body:
        raise EntryError(f"packet batch of {count} packets cut at {len(payload)} bytes")
    records = np.frombuffer(payload, RECORD_DTYPE, count, _BATCH_HEAD_BYTES)
    sizes = records["size"].astype(np.int64)
    if body + int(sizes.sum()) != len(payload) or (sizes > MAX_PACKET_BYTES).any():
        raise EntryError(f"packet batch's sizes sum to {int(sizes.sum())}, its body has {len(payload) - body} bytes")
    return PacketBatch(records, body + np.cumsum(sizes) - sizes, payload)


def is_packets(payload: bytes) -> bool:
    """True for a packet batch (of any version)."""
    return payload[:1] == bytes((PACKETS,))

"""What the show engine receives over Open Sound Control 1.0: the address scheme, as datagrams. Pure.

Every datagram is one complete bundle, time tag "immediately", opening with ``/tick``; a receiver that sees a lower
epoch or sequence discards the whole bundle. Datagrams are prebuilt; a tick rewrites only their numbers.
"""

from __future__ import annotations

import enum
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator.outputs.osc_datagrams import Datagrams, Layout, tick_words
from aggregator.outputs.osc_message import WORD_BYTES, OscError, bundle, message
from aggregator.outputs.osc_seats import SeatStream, Values, block_stream, seat_stream
from aggregator.snapshot import Estimate, PerformerValue, Snapshot
from relay.parts import PARTS
from relay.seat_plan import SeatPlan

__all__ = ["SCHEME_VERSION", "OscError", "OscLayout", "OscSettings", "ServiceState", "bundle", "message"]

SCHEME_VERSION = 1  # of the addresses and their arguments; in /plan
PREFIX = re.compile(r"(/[A-Za-z0-9_-]{1,32}){0,4}")
NAME = re.compile(r"[a-z0-9-]{1,24}")
MIN_DATAGRAM_BYTES = 256  # the heartbeat and the longest section message fit, with any prefix
MAX_DATAGRAM_BYTES = 65_507  # UDP over IPv4 carries no more
SIGNED32 = 2**31


class ServiceState(enum.IntEnum):
    """The state in ``/service/status``, by its number on the wire."""

    STARTING = 0
    RUNNING = 1
    FROZEN = 2
    NEUTRAL = 3
    SAFE = 4
    STOPPING = 5
    HOLDING = 6
    PARTIAL = 7
    CLOSED = 8
    STAND_IN = 9


@dataclass(frozen=True, slots=True)
class OscSettings:
    """What leaves over Open Sound Control.

    ``prefix``: put before every address, "" or like ``/hall``. ``max_datagram_bytes``: 1,472 is Ethernet's 1,500
    less the IPv4 and UDP headers. ``seats_per_block``: values in one ``/seats/*`` message. ``seat_*``: which seat
    streams leave; ``per_seat`` adds ``/seat/NNNN/arousal`` and ``/seat/NNNN/state``. ``deadband``: a seat value that
    moved less is not sent again before the refresh. ``refresh_s``: everything is sent again within this time, so
    that loss heals. ``seat_datagrams_a_tick``: bound on each seat stream's burst; a receiver's usual queue held 92
    datagrams of 1,400 bytes, so three streams of 30 fit; what is left goes with the next tick.
    """

    prefix: str = ""
    max_datagram_bytes: int = 1472
    seats_per_block: int = 256
    seat_arousal: bool = True
    seat_confidence: bool = False
    seat_state: bool = True
    per_seat: bool = False
    deadband: float = 1 / 255
    refresh_s: float = 1.5
    seat_datagrams_a_tick: int = 30

    def problems(self) -> list[str]:
        """Every setting that cannot be used: its key, the value found and what is allowed."""
        found = []
        if not PREFIX.fullmatch(self.prefix):
            found.append(f'prefix: found {self.prefix!r}, allowed "" or names like /hall (letters, digits, - and _)')
        ranges = (
            ("max_datagram_bytes", MIN_DATAGRAM_BYTES, MAX_DATAGRAM_BYTES),
            ("seats_per_block", 1, 4096),
            ("deadband", 0.0, 0.1),
            ("refresh_s", 0.1, 60.0),
            ("seat_datagrams_a_tick", 1, 10_000),
        )
        for key, low, high in ranges:
            value = getattr(self, key)
            if not low <= value <= high:
                found.append(f"{key}: found {value}, allowed {low}..{high}")
        return found


class OscLayout:
    """All datagrams of one seat plan, prebuilt.

    ``encode`` gives the datagrams of one snapshot; they are views of buffers that the next call rewrites, so send or
    copy them first. In a part whose rules say that outputs are closed (``relay.parts``), or that this version does
    not know, only ``/tick`` and ``/part`` leave (and the heartbeat, which says 8 closed).

    Values are finite and in [0, 1] (the slope only finite): a value that is not is replaced by the one sent before
    it and counted in ``replaced``.

    Raises:
        OscError: settings out of range, or a section's key that is no address part.
    """

    def __init__(self, plan: SeatPlan, settings: OscSettings | None = None) -> None:
        settings = settings or OscSettings()
        if problems := settings.problems():
            raise OscError("; ".join(problems))
        for section in plan.sections:
            if not NAME.fullmatch(section.key):
                raise OscError(f"section {section.key!r}: allowed are 1..24 of a-z, 0-9 and -")
        self.plan = plan
        self.settings = settings
        self.revision = plan_revision(plan)
        self.replaced = 0
        self._part = ""
        self._closed = self._closed_datagrams("")
        self._head, self._head_index = self._head_datagrams("")
        self._head_values = np.zeros(len(self._head_index))
        self._counts = np.zeros(0, dtype=np.int64)
        self._streams = self._seat_streams()
        self._was_open = False

    def encode(self, snapshot: Snapshot, *, now_s: float) -> list[memoryview]:
        """The datagrams of one snapshot, first the house; ``now_s`` (any steady clock) paces the refresh.

        Raises:
            OscError: the snapshot has another number of seats than the plan.
        """
        if len(snapshot.arousal) != self.plan.seats:
            raise OscError(f"the snapshot has {len(snapshot.arousal)} seats, the plan {self.plan.seats}")
        self._enter_part(snapshot.part)
        if not is_open(snapshot.part):
            self._was_open = False
            self._closed.write_tick(snapshot.epoch, snapshot.sequence, snapshot.cut_ms)
            return list(self._closed.views)
        if not self._was_open:
            self.resend()
        self._was_open = True
        sent = self._head_of(snapshot)
        sent += self._performers(snapshot)
        return sent + self._seats(snapshot, now_s)

    def heartbeat(self, *, epoch: int, sequence: int, time_ms: int, role: str, state: int, part: str) -> bytes:
        """The 1 Hz datagram: ``/tick``, ``/service/status``, ``/plan``, ``/part``.

        ``epoch`` and ``sequence`` are those of the last snapshot, ``role`` is ``lead`` or ``spare``, ``state`` a
        :class:`ServiceState`.
        """
        address = self._address
        tick = _signed(tick_words(epoch, sequence, time_ms))
        counts = (self.plan.seats, len(self.plan.sections), SCHEME_VERSION)
        return bundle(
            (
                message(address("/tick"), "iiii", *tick),
                message(address("/service/status"), "iisi", tick[0], tick[1], role, int(state)),
                message(address("/plan"), "iiis", *counts, self.revision),
                message(address("/part"), "s", part),
            )
        )

    def resend(self) -> None:
        """Send every seat value again from the next snapshot on, whatever has changed."""
        for stream, _ in self._streams:
            stream.resend()

    def datagrams(self) -> list[memoryview]:
        """Every prebuilt datagram, whether due or not (for tests and for counting)."""
        return [*self._head.views, *(v for s, _ in self._streams for v in s.data.views)]

    def _address(self, address: str) -> str:
        return self.settings.prefix + address

    def _layout(self) -> Layout:
        return Layout(self._address("/tick"), self.settings.max_datagram_bytes)

    def _enter_part(self, part: str) -> None:
        if part != self._part:
            self._part = part
            self._closed = self._closed_datagrams(part)
            self._head, self._head_index = self._head_datagrams(part)

    def _closed_datagrams(self, part: str) -> Datagrams:
        layout = self._layout()
        layout.add(message(self._address("/part"), "s", part))
        return layout.build()

    def _head_datagrams(self, part: str) -> tuple[Datagrams, NDArray[np.int64]]:
        """``/part``, the house and the sections; and the word of each number, in the order of ``_head_of``."""
        layout = self._layout()
        layout.add(message(self._address("/part"), "s", part))
        house = (("/house/arousal", "ffi"), ("/house/spread", "fff"), ("/house/slope", "f"), ("/house/synchrony", "ff"))
        sections = tuple((f"/section/{s.key}/arousal", "ffi") for s in self.plan.sections)
        places = []
        for address, types in house + sections:
            element = message(self._address(address), types, *([0] * len(types)))
            number, offset = layout.add(element)
            first = offset + len(element) - WORD_BYTES * len(types)
            places += [(number, first + WORD_BYTES * j) for j in range(len(types))]
        built = layout.build()
        return built, np.array([built.starts[n] + o // WORD_BYTES for n, o in places], dtype=np.int64)

    def _head_of(self, snapshot: Snapshot) -> list[memoryview]:
        house = snapshot.house
        sections = dict(snapshot.sections)
        estimates = [house, *(sections.get(s.key, _NOBODY) for s in self.plan.sections)]
        values, is_count = [], []
        for i, e in enumerate(estimates):
            values += [e.arousal, e.confidence, e.counted]
            is_count += [False, False, True]
            if i == 0:
                values += [e.p10, e.p50, e.p90, e.slope, e.synchrony, e.synchrony_confidence]
                is_count += [False] * 6
        new = np.array(values, dtype=np.float64)
        counts = np.array(is_count)
        bounded = ~counts
        bounded[SLOPE_PLACE] = False
        new = self._usable(new, self._head_values, bounded)
        self._head_values = new
        self._head.floats[self._head_index[~counts]] = new[~counts]
        self._head.ints[self._head_index[counts]] = new[counts].astype(np.int64)
        self._head.write_tick(snapshot.epoch, snapshot.sequence, snapshot.cut_ms)
        return list(self._head.views)

    def _usable(
        self, new: NDArray[np.float64], old: NDArray[np.float64], bounded: NDArray[np.bool_]
    ) -> NDArray[np.float64]:
        finite = np.isfinite(new)
        if not finite.all():
            self.replaced += int((~finite).sum())
            new = np.where(finite, new, old)
        return np.where(bounded, np.clip(new, 0.0, 1.0), new)

    def _seat_streams(self) -> list[tuple[SeatStream, str]]:
        s, seats, made = self.settings, self.plan.seats, []
        blocks = (("arousal", s.seat_arousal), ("confidence", s.seat_confidence), ("state", s.seat_state))
        for name, wanted in blocks:
            if wanted:
                integers = name == "state"
                deadband = 1 if integers else s.deadband
                address = self._address(f"/seats/{name}")
                stream = block_stream(
                    self._layout(), address, seats, s.seats_per_block, integers=integers, deadband=deadband
                )
                made.append((stream, name))
        if s.per_seat:
            for name, words in (("arousal", 2), ("state", 1)):
                integers = name == "state"
                stream = seat_stream(
                    self._layout(), s.prefix, name, seats, words_a_seat=words, integers=integers,
                    deadband=1 if integers else s.deadband,
                )  # fmt: skip
                made.append((stream, "both" if words == 2 else name))
        return made

    def _seats(self, snapshot: Snapshot, now_s: float) -> list[memoryview]:
        sent: list[memoryview] = []
        floats = np.stack((snapshot.arousal, snapshot.confidence)).astype(np.float32, copy=False)
        s = self.settings
        for stream, name in self._streams:
            values: Values = snapshot.state.astype(np.int32)[None]
            if name != "state":
                values = self._usable_seats(floats[ROWS[name]], stream)
            sent += stream.due(values, now_s, s.refresh_s, s.seat_datagrams_a_tick)
            stream.data.write_tick(snapshot.epoch, snapshot.sequence, snapshot.cut_ms)
        return sent

    def _usable_seats(self, values: NDArray[np.float32], stream: SeatStream) -> NDArray[np.float32]:
        finite = np.isfinite(values)
        if not finite.all():
            self.replaced += int((~finite).sum())
            values = np.where(finite, values, stream.sent).astype(np.float32)
        return np.clip(values, np.float32(0), np.float32(1))

    def _performers(self, snapshot: Snapshot) -> list[memoryview]:
        """Performers have their own channels and events at each tick, and are few: built as they come."""
        if not snapshot.performers:
            return []
        layout = self._layout()
        for place, performer in enumerate(snapshot.performers, start=1):
            for element in performer_messages(self._address(f"/performer/{performer.number or place}"), performer):
                layout.add(element)
        built = layout.build()
        built.write_tick(snapshot.epoch, snapshot.sequence, snapshot.cut_ms)
        return list(built.views)


ROWS = {"arousal": slice(0, 1), "confidence": slice(1, 2), "both": slice(0, 2)}  # of arousal over confidence
SLOPE_PLACE = 6  # of the slope among the head's numbers: arousal, confidence, counted, three percentiles, slope
_NOBODY = Estimate(0.5, 0.0, 0, 0.5, 0.5, 0.5, 0.0, 1.0)  # a section that the snapshot leaves out


def is_open(part: str) -> bool:
    """Whether this part of the evening lets values leave; a part that this version does not know stays closed."""
    return part in PARTS and PARTS[part].open


def performer_messages(address: str, performer: PerformerValue) -> list[bytes]:
    """One performer's messages; a channel or event whose name is no address part, or is not finite, is left out."""
    made = [_pair(f"{address}/arousal", (performer.arousal, performer.confidence))]
    made += [_pair(f"{address}/channel/{n}", v) for n, v in performer.channels.items() if NAME.fullmatch(n)]
    for name, size, age_s, count in performer.events:
        if NAME.fullmatch(name) and np.isfinite((size, age_s)).all():
            made.append(message(f"{address}/event/{name}", "ffi", size, age_s, count % SIGNED32))
    made.append(_pair(f"{address}/linkage", performer.linkage))
    return [m for m in made if m]


def _pair(address: str, values: Sequence[float]) -> bytes:
    if not np.isfinite(values).all():
        return b""
    return message(address, "ff", *(min(max(float(v), 0.0), 1.0) for v in values))


def _signed(words: Sequence[int]) -> tuple[int, ...]:
    return tuple(w - 2 * SIGNED32 if w >= SIGNED32 else w for w in words)


def plan_revision(plan: SeatPlan) -> str:
    """Twelve hexadecimal digits that change with the plan's sections, labels or places."""
    digest = hashlib.sha256()
    for section in plan.sections:
        digest.update(f"{section.key}\0{section.title}\0".encode())
    digest.update("\0".join(plan.labels).encode())
    for array in (plan.section.astype("<i8"), plan.x.astype("<f8"), plan.y.astype("<f8")):
        digest.update(array.tobytes())
    return digest.hexdigest()[:12]

"""What the monitor page is told: status, history, and the messages that carry them. Pure.

The page is fed by the same snapshots as the show engine (contract 14); the service adds what only it knows.
"""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson

from aggregator.house_notices import left_out_lines
from aggregator.outputs.feed_layout import estimate_json
from aggregator.outputs.osc import ServiceState, plan_revision
from aggregator.snapshot import SeatState, Snapshot
from relay.parts import PARTS
from relay.seat_plan import SeatPlan

if TYPE_CHECKING:
    from aggregator.outputs.newest import ReaderCounts
    from aggregator.outputs.osc_sender import TargetStatistics

HISTORY_S = 600  # ten minutes of the house on the page
HISTORY_HZ = 4
LABELS_MAX = 200  # part changes and markers kept for the time line; the oldest go first
LABELS_SAID = 8  # of them in each live message
LABEL_CHARACTERS = 60
LEVEL_UNIT = 255  # a seat's level and confidence as one byte each
HEADER_ALIGN = 4

NAMES = {s: s.name.lower().replace("_", " ") for s in SeatState}


@dataclass(frozen=True, slots=True)
class OutputStatus:
    """One output's target as the page shows it; ``age_s`` since the last datagram left, None before the first."""

    name: str
    kind: str
    sent: int = 0
    refused: int = 0
    dropped: int = 0
    unreachable: int = 0
    age_s: float | None = None
    note: str = ""

    @classmethod
    def of(cls, s: TargetStatistics) -> OutputStatus:
        """An Open Sound Control target's counters."""
        return cls(
            s.target, "Open Sound Control", s.sent, s.refused, s.dropped, s.unreachable, s.age_s, s.last_error
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class QueueStatus:
    """One queue (contract 13): how full, its bound, what happens at the bound, and how much that has cost."""

    name: str
    fill: int
    bound: int
    unit: str
    policy: str
    lost: int = 0

    @classmethod
    def of_readers(cls, name: str, counts: ReaderCounts) -> QueueStatus:
        """Readers of a newest value (the feed's, or open pages): none has a queue, so places are what is bounded."""
        policy = "one more is refused; a slow one skips to the newest, one that takes nothing is cut off"
        return cls(name, counts.readers, counts.bound, "readers", policy, counts.refused + counts.cut_off)


@dataclass(frozen=True, slots=True)
class MonitorStatus:
    """What the service says beside the snapshot. ``markers`` are (house time in ms, label), any order."""

    version: str = ""
    role: str = "lead"
    state: int = ServiceState.RUNNING
    outputs: tuple[OutputStatus, ...] = ()
    queues: tuple[QueueStatus, ...] = ()
    markers: tuple[tuple[int, str], ...] = ()
    notices: tuple[str, ...] = ()


@dataclass(slots=True)
class History:
    """The last minutes of the house: rows (cut_ms, arousal, confidence, low, high), and labels (cut_ms, kind, text)."""

    rows: deque[tuple[int, float, float, float, float]] = field(
        default_factory=lambda: deque(maxlen=HISTORY_S * HISTORY_HZ)
    )
    labels: deque[tuple[int, str, str]] = field(default_factory=lambda: deque(maxlen=LABELS_MAX))
    _part: str = ""
    _markers: frozenset[tuple[int, str]] = frozenset()

    def add(self, snapshot: Snapshot, status: MonitorStatus) -> None:
        """Remember one snapshot (call at most ``HISTORY_HZ`` a second), and the labels that are new with it."""
        house = snapshot.house
        interval = round(house.low, 4), round(house.high, 4)
        self.rows.append((snapshot.cut_ms, round(house.arousal, 4), round(house.confidence, 4), *interval))
        fresh: list[tuple[int, str, str]] = []
        if snapshot.part != self._part:
            fresh.append((snapshot.cut_ms, "part", snapshot.part))
            self._part = snapshot.part
        markers = frozenset(status.markers)
        fresh += [(ms, "marker", text[:LABEL_CHARACTERS]) for ms, text in sorted(markers - self._markers)]
        self._markers = markers
        self.labels.extend(fresh)

    def latest_labels(self) -> list[tuple[int, str, str]]:
        """The last few labels: said with each message, because a slow page may skip the one that brought them."""
        return list(self.labels)[-LABELS_SAID:]


def plan_message(plan: SeatPlan, title: str) -> bytes:
    """What does not change during an evening, as JSON: seats, sections, parts, names of the states."""
    return orjson.dumps(
        {
            "title": title,
            "revision": plan_revision(plan),
            "sections": [{"key": s.key, "title": s.title} for s in plan.sections],
            "section": plan.section.tolist(),
            "x": np.round(plan.x, 3).tolist(),
            "y": np.round(plan.y, 3).tolist(),
            "labels": plan.labels,
            "parts": [{"name": n, "open": r.open, "phones": r.phones} for n, r in PARTS.items()],
            "states": [NAMES[s] for s in SeatState],
        }
    )


def header(snapshot: Snapshot | None, status: MonitorStatus, age_ms: int | None) -> dict[str, Any]:
    """The words and numbers of one live message; ``age_ms`` since the snapshot came, None before the first."""
    said: dict[str, Any] = {
        "age_ms": age_ms,
        "version": status.version,
        "role": status.role,
        "state": ServiceState(status.state).name.lower().replace("_", "-"),
        "outputs": [asdict(o) for o in status.outputs],
        "queues": [asdict(q) for q in status.queues],
        "notices": [*status.notices, *(snapshot.notices if snapshot else ())],
    }
    if snapshot:
        said |= {
            "epoch": snapshot.epoch,
            "sequence": snapshot.sequence,
            "cut_ms": snapshot.cut_ms,
            "part": snapshot.part,
            "house": estimate_json(snapshot.house),
            "sections": {name: estimate_json(e) for name, e in snapshot.sections},
            "states": snapshot.states.tolist(),
            "performers": [
                {"name": p.name, "arousal": round(p.arousal, 4), "confidence": round(p.confidence, 4)}
                for p in snapshot.performers
            ],
            "missing": list(snapshot.missing),
            "linked": list(snapshot.links),
            "left_out": list(left_out_lines(snapshot.left_out).values()),
        }
    return said


def live_message(said: dict[str, Any], snapshot: Snapshot | None) -> bytes:
    """One live message: uint32 length (little-endian), that much JSON, then seats x level, confidence, state bytes.

    The JSON is padded with spaces to a multiple of four. Level and confidence are in units of 1/255. Without a
    snapshot the seats are left out.
    """
    text = orjson.dumps(said)
    text += b" " * (-len(text) % HEADER_ALIGN)
    parts = [struct.pack("<I", len(text)), text]
    if snapshot is not None:
        parts += [_byte(snapshot.arousal), _byte(snapshot.confidence), snapshot.state.astype(np.uint8).tobytes()]
    return b"".join(parts)


def _byte(values: Any) -> bytes:
    return bytes(np.round(np.clip(np.nan_to_num(values), 0.0, 1.0) * LEVEL_UNIT).astype(np.uint8).tobytes())

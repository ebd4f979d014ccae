"""The websocket feed's two forms, JSON text and binary (FEED.md). Pure."""

from __future__ import annotations

import struct
from dataclasses import asdict
from typing import Any

import numpy as np
import orjson

from aggregator.outputs.osc import is_open
from aggregator.snapshot import Estimate, PerformerValue, Snapshot
from relay.parts import PARTS
from relay.seat_plan import SeatPlan

MAGIC = b"RPF1"
HEADER = struct.Struct("<4sIIIQIHBBII")  # FEED.md, "Header": 40 bytes
ESTIMATE = struct.Struct("<10fI")  # FEED.md, "Estimate": 44 bytes
PART_NUMBERS = {name: i for i, name in enumerate(PARTS)}
UNKNOWN_PART = 255
UINT32 = 0xFFFFFFFF
LINKAGE_ROWS = ("value", "lag_s", "beyond")  # as snapshot.Links
JSON_DIGITS = 4  # 1/10,000: finer than the deadband of any stream


def encode_binary(snapshot: Snapshot) -> bytes:
    """One snapshot in the binary form; in a part whose outputs are closed, the header alone."""
    opened = is_open(snapshot.part)
    tail = b""
    if opened and snapshot.performers:
        tail = orjson.dumps([_performer(p) for p in snapshot.performers])
    sections = snapshot.sections if opened else ()
    head = HEADER.pack(
        MAGIC,
        snapshot.epoch & UINT32,
        snapshot.sequence & UINT32,
        HEADER.size,
        snapshot.cut_ms,
        len(snapshot.arousal) if opened else 0,
        len(sections),
        PART_NUMBERS.get(snapshot.part, UNKNOWN_PART),
        int(opened),
        len(snapshot.missing),
        len(tail),
    )
    if not opened:
        return head
    estimates = b"".join(_estimate_bytes(e) for e in (snapshot.house, *(e for _, e in sections)))
    seats = (snapshot.arousal.astype("<f4"), snapshot.confidence.astype("<f4"), snapshot.state.astype(np.uint8))
    return b"".join((head, estimates, *(s.tobytes() for s in seats), tail))


def _estimate_bytes(e: Estimate) -> bytes:
    values = (
        e.arousal, e.confidence, e.p10, e.p50, e.p90, e.low, e.high, e.slope, e.synchrony, e.synchrony_confidence,
    )  # fmt: skip
    return ESTIMATE.pack(*values, e.counted)


def encode_json(snapshot: Snapshot) -> str:
    """One snapshot as JSON text; in a part whose outputs are closed, without any value."""
    opened = is_open(snapshot.part)
    said: dict[str, Any] = {
        "epoch": snapshot.epoch,
        "sequence": snapshot.sequence,
        "cut_ms": snapshot.cut_ms,
        "part": snapshot.part,
        "open": opened,
    }
    if opened:
        said["house"] = estimate_json(snapshot.house)
        said["sections"] = {name: estimate_json(e) for name, e in snapshot.sections}
        said["seats"] = {
            "arousal": _rounded(snapshot.arousal),
            "confidence": _rounded(snapshot.confidence),
            "state": snapshot.state.tolist(),
        }
        said["performers"] = [_performer(p) for p in snapshot.performers]
        said["missing_shards"] = list(snapshot.missing)
    return orjson.dumps(said).decode()


def encode_linkage(snapshot: Snapshot | None) -> bytes:
    """How alike each seat moves with each performer, as JSON: ``cut_ms`` and ``performers``, each with ``name`` and the
    lists by seat ``value``, ``lag_s`` and ``beyond``, two digits, 0 unknown. Nobody before the first snapshot."""
    made = []
    for name, table in (snapshot.links if snapshot else {}).items():
        lists = {row: np.round(v.astype(np.float64), 2).tolist() for row, v in zip(LINKAGE_ROWS, table, strict=True)}
        made.append({"name": name, **lists})
    return orjson.dumps({"cut_ms": snapshot.cut_ms if snapshot else 0, "performers": made})


def estimate_json(estimate: Estimate) -> dict[str, float | int]:
    """An estimate's fields by name, rounded."""
    return {k: v if isinstance(v, int) else round(float(v), JSON_DIGITS) for k, v in asdict(estimate).items()}


def _rounded(values: Any) -> list[float]:
    return [round(v, JSON_DIGITS) for v in values.tolist()]


def _performer(performer: PerformerValue) -> dict[str, Any]:
    return {**asdict(performer), "linkage": list(performer.linkage)}


def section_names(plan: SeatPlan) -> dict[str, Any]:
    """What a reader of the binary form needs once: the sections in order, the seats, the parts by number."""
    return {
        "seats": plan.seats,
        "sections": [s.key for s in plan.sections],
        "parts": list(PARTS),
    }

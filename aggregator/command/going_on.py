"""Which checkpoint an aggregator of a scaled-out house goes on from, and with which tick. Shell (reads files)."""

from __future__ import annotations

import logging
from pathlib import Path

from aggregator import checkpoint, saved
from aggregator.checkpoint import CheckpointError
from aggregator.engine import Engine
from aggregator.saved import Saved

log = logging.getLogger(__name__)

CATCH_UP_S = 150.0  # the bus holds 120 s unread (contract 7), the checkpoint may be 30 s older


def newest(folder: Path | None, t0_ms: int) -> Saved | None:
    """The checkpoint of this evening with the latest tick. Damaged ones are named and passed over, and so are other
    evenings', whose tick numbers say nothing here."""
    best: Saved | None = None
    if folder is None:
        return None
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(folder.glob("*.checkpoint")):
        try:
            kept = saved.unpack(checkpoint.read(path))
        except (CheckpointError, OSError) as error:
            log.warning("%s: %s", path, error)
            continue
        if kept.t0_ms != t0_ms:
            log.warning("%s is of another evening on this bus: left aside", path)
        elif best is None or kept.k > best.k:
            best = kept
    return best


def first_tick(engine: Engine, now_ms: int) -> int:
    """The tick after the engine's last one, or the one that is due now: for a fresh engine, and after a pause that is
    longer than what the bus keeps. Computing hours of ticks that nobody hears would keep the show waiting (measured:
    12 h of ticks take 44 min)."""
    due = max(0, int((now_ms - engine.t0_ms) * engine.tick_hz / 1000))
    if engine.k < 0:
        return due
    pause_s = (due - engine.k) / engine.tick_hz
    if pause_s <= CATCH_UP_S:
        return engine.k + 1
    log.warning(
        "nobody has computed for %.0f min: going on from now. For another performance give evening.id another name",
        pause_s / 60,
    )
    return due

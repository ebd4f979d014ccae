"""What a service is set up with, what it counts, and where its snapshots go."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from aggregator.snapshot import Snapshot


class Sink(Protocol):
    """Something that snapshots are handed to: an output, the monitor page, a recorder."""

    def send(self, snapshot: Snapshot, now_s: float) -> None:
        """Take a snapshot; returns at once, never raises for a slow or absent receiver."""
        ...

    def beat(self, now_s: float, role: str) -> None:
        """Called four times a second whatever happens, ``role`` lead or spare: the heartbeat's moment."""
        ...


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """``checkpoint_path`` None writes none. ``trim_without_checkpoint``: what was used may be dropped from the bus at
    once (right for an embedded bus, which dies with this process; wrong where others read the same bus)."""

    checkpoint_path: Path | None = None
    checkpoint_every_s: float = 10.0
    trim_without_checkpoint: bool = True
    evening: str = ""  # written into checkpoints


@dataclass(slots=True)
class ServiceCounters:
    """Monotone counts of one service, for the page and the metrics."""

    ticks: int = 0
    sent: int = 0
    late_not_sent: int = 0
    entries: int = 0
    bus_failures: int = 0
    checkpoints: int = 0
    checkpoint_failures: int = 0
    sink_failures: int = 0
    rewinds: int = 0

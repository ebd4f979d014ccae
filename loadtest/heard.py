"""What the load test heard as a show engine. Pure.

Times are monotonic seconds of the machine that listened.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from loadtest.histogram import Histogram

SERIES_KEPT = 200_000  # 2.7 h of snapshots at 20 a second


@dataclass(slots=True)
class Heard:
    """Series and counts.

    ``house``: (time, arousal, confidence, counted); ``sections``: name -> newest (time, arousal, counted);
    ``latency``: from a probe's packet's due time to the datagram that shows it.
    """

    house: deque[tuple[float, float, float, int]] = field(default_factory=lambda: deque(maxlen=SERIES_KEPT))
    sections: dict[str, tuple[float, float, int]] = field(default_factory=dict)
    synchrony: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=SERIES_KEPT))
    latency: Histogram = field(default_factory=Histogram)
    latencies: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=SERIES_KEPT))
    missed: int = 0
    datagrams: int = 0
    unreadable: int = 0
    snapshots: int = 0
    lost_sequences: int = 0
    epoch: int = 0
    part: str = ""

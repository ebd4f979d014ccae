"""What a relay counts. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Counters:
    """Plain totals since the start; the metrics collector reads them."""

    opened: int = 0
    turned_away: int = 0
    packets: int = 0
    packet_bytes: int = 0
    acknowledged: int = 0
    acks_sent: int = 0
    untaken: int = 0
    appends: int = 0
    append_failures: int = 0
    unreadable_entries: int = 0
    closes: dict[int, int] = field(default_factory=dict)

"""Packets that cannot be used at once: out of order behind a hole, or more than a listener may consume a tick. Pure.

The slow path of :mod:`aggregator.intake`: one small object a listener who needs it, gone when they are up to date.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

LATENESS_LIMIT_MS = 2_000  # contract 5: an older hole becomes a gap
WINDOW_PACKETS = 64  # how far ahead of a hole packets may wait: 16 s at 4 a second
TICK_SPAN_US = 2_000_000  # samples a listener consumes a tick at most
TICK_PACKETS = 32  # 16 packets a second for 2 s; tiny packets must not make a tick long
BACKLOG_PACKETS = 256  # the phone's ring of 15 s at 16 packets a second, with room
MAX_SKIPS = 8  # known losses ahead of the head; more are taken as a hole


class Held(NamedTuple):
    """A packet kept as bytes, with what its entry said."""

    sequence: int
    time_us: int
    arrival_ms: float
    stamp_ms: int
    raw: bytes


@dataclass(slots=True)
class Waiting:
    """One listener's packets: ``ahead`` by sequence (out of order), ``backlog`` in order, ``skips`` known losses."""

    ahead: dict[int, Held] = field(default_factory=dict)
    backlog: deque[Held] = field(default_factory=deque)
    skips: list[tuple[int, int]] = field(default_factory=list)

    @property
    def idle(self) -> bool:
        return not (self.ahead or self.backlog or self.skips)


def release(waiting: Waiting, head: int, now_ms: int, counters: dict[str, int]) -> int:
    """Move what has become contiguous from ``ahead`` to ``backlog``; returns the new head.

    A hole is stepped over when a known loss covers it, when the oldest packet behind it has waited for
    ``LATENESS_LIMIT_MS`` by stamps, or when more wait than the window holds.
    """
    while True:
        known = [last for first, last in waiting.skips if first <= head <= last]
        if head in waiting.ahead:
            _push(waiting, waiting.ahead.pop(head), counters)
            head += 1
        elif known:
            arrived = [sequence for sequence in waiting.ahead if sequence <= max(known)]  # discarded after it was sent
            counters["skipped"] += min([*arrived, max(known) + 1]) - head
            head = min([*arrived, max(known) + 1])
        elif waiting.ahead and _overdue(waiting, head, now_ms):
            ends = [first for first, _ in waiting.skips if first > head]
            step = min([*waiting.ahead, *ends])
            counters["gaps"] += 1
            counters["gap_packets"] += step - head
            head = step
        else:
            break
    waiting.skips = [s for s in waiting.skips if s[1] >= head]
    return head


def _overdue(waiting: Waiting, head: int, now_ms: int) -> bool:
    oldest = min(h.stamp_ms for h in waiting.ahead.values())
    return now_ms - oldest >= LATENESS_LIMIT_MS or max(waiting.ahead) - head >= WINDOW_PACKETS


def _push(waiting: Waiting, held: Held, counters: dict[str, int]) -> None:
    if len(waiting.backlog) >= BACKLOG_PACKETS:
        waiting.backlog.popleft()
        counters["backlog_dropped"] += 1
    waiting.backlog.append(held)


def consume(waiting: Waiting) -> list[Held]:
    """Take from the backlog what one tick may use: at least one packet, at most 2 s of phone time."""
    taken: list[Held] = []
    while waiting.backlog and len(taken) < TICK_PACKETS:
        held = waiting.backlog[0]
        if taken and not 0 <= held.time_us - taken[0].time_us < TICK_SPAN_US:
            break
        taken.append(waiting.backlog.popleft())
    return taken

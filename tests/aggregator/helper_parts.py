"""Parts of a tick for tests of the merger: listeners on seats, split over owners by shard."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from aggregator.house import section_histograms
from aggregator.snapshot import BINS, STATES, PartSnapshot, PerformerValue, SeatState, SynchronySums
from relay.seat_plan import SeatPlan

START_MS = 1_700_000_000_000
SHARDS = 16


@dataclass
class Audience:
    """Listeners on the first seats of a plan, each in shard seat % 16; change the arrays between ticks."""

    plan: SeatPlan
    own: NDArray[np.float64]
    confidence: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    state: NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))
    fade: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    tick_hz: float = 20.0
    performers: tuple[PerformerValue, ...] = ()
    blank: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    synchrony: SynchronySums | None = None

    def __post_init__(self) -> None:
        n = len(self.own)
        if not len(self.confidence):
            self.confidence = np.ones(n)
        if not len(self.state):
            self.state = np.full(n, SeatState.FOLLOWING, np.uint8)
        if not len(self.fade):
            self.fade = np.zeros(n)

    def parts(self, k: int, owners: int = 1, without: tuple[int, ...] = ()) -> list[PartSnapshot]:
        """One part an owner; owner i has the shards i, i + owners, …; shards in ``without`` deliver nothing."""
        made = []
        for owner in range(owners):
            shards = tuple(s for s in range(owner, SHARDS, owners) if s not in without)
            if shards:
                made.append(self.part(k, shards))
        return made

    def part(self, k: int, shards: tuple[int, ...]) -> PartSnapshot:
        """What the owner of these shards says."""
        seat = np.arange(1, len(self.own) + 1)
        mine = np.isin(seat % SHARDS, shards)
        seat, own, state = seat[mine], self.own[mine], self.state[mine]
        fade = self.fade[mine]
        confidence = self.confidence[mine] * (1.0 - fade)
        section, sections = self.plan.section[seat - 1], len(self.plan.sections)
        weights, sums, counted = section_histograms(2.0 * own - 1.0, confidence, section, sections)
        states = np.bincount(section * STATES + state, minlength=sections * STATES).reshape(sections, STATES)
        lead = 0 in shards
        blank = self.blank if lead else np.empty(0)
        bw, bs, _ = section_histograms(2.0 * blank - 1.0, np.ones(len(blank)), np.zeros(len(blank), np.int64), 1)
        return PartSnapshot(
            k=k, cut_ms=START_MS + round(1000 * k / self.tick_hz), epoch=1, shards=shards, part="piece",
            seat=seat, own=own, confidence=confidence, state=state, fade=fade,
            weights=weights, sums=sums, counted=counted, states=states,
            blank_weights=bw[0] if len(blank) else np.zeros(BINS, np.int64), blank_sum=int(bs[0]) if len(blank) else 0,
            synchrony=self.synchrony if lead else None,
            performers=self.performers if lead else (),
            counters={"packets": 7 * len(shards)},
        )  # fmt: skip

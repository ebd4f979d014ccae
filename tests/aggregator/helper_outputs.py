"""Synthetic snapshots for the outputs and the monitor page."""

from __future__ import annotations

import numpy as np

from aggregator.snapshot import STATES, Estimate, PerformerValue, SeatState, Snapshot
from relay.seat_plan import SeatPlan

HOUSE_MS = 1_700_000_000_000


def estimate(arousal: float = 0.5, *, confidence: float = 0.8, counted: int = 40) -> Estimate:
    return Estimate(
        arousal, confidence, counted, arousal - 0.1, arousal, arousal + 0.1, arousal - 0.03, arousal + 0.03,
        slope=-0.25, synchrony=0.3, synchrony_confidence=0.6,
    )  # fmt: skip


def snapshot(
    plan: SeatPlan,
    k: int = 1,
    *,
    rate_hz: float = 20.0,
    part: str = "piece",
    house: Estimate | None = None,
    seed: int = 1,
    performers: tuple[PerformerValue, ...] = (),
    missing: tuple[int, ...] = (),
    notices: tuple[str, ...] = (),
    epoch: int = 3,
) -> Snapshot:
    """One snapshot whose seats depend on ``seed`` alone, all states among them."""
    random = np.random.default_rng(seed)
    state = random.choice(STATES, plan.seats, p=(0.06, 0.03, 0.04, 0.75, 0.03, 0.03, 0.02, 0.02, 0.02)).astype(np.uint8)
    house = house or estimate()
    return Snapshot(
        k=k,
        sequence=k,
        epoch=epoch,
        cut_ms=HOUSE_MS + round(1000 * k / rate_hz),
        part=part,
        arousal=random.random(plan.seats, dtype=np.float32),
        confidence=np.where(state == SeatState.FOLLOWING, random.random(plan.seats), 0.2).astype(np.float32),
        state=state,
        house=house,
        sections=tuple((s.key, estimate(0.3 + 0.1 * i)) for i, s in enumerate(plan.sections)),
        states=np.bincount(state, minlength=STATES).astype(np.int64),
        performers=performers,
        missing=missing,
        notices=notices,
    )

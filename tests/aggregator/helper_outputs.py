"""Synthetic snapshots for the outputs and the monitor page."""

from __future__ import annotations

import numpy as np

from aggregator.snapshot import STATES, Estimate, LeftOut, Links, PerformerValue, SeatState, Snapshot
from relay.seat_plan import SeatPlan

HOUSE_MS = 1_700_000_000_000


def estimate(arousal: float = 0.5, *, confidence: float = 0.8, counted: int = 40) -> Estimate:
    return Estimate(
        arousal, confidence, counted, arousal - 0.1, arousal, arousal + 0.1, arousal - 0.03, arousal + 0.03,
        slope=-0.25, synchrony=0.3, synchrony_confidence=0.6,
    )  # fmt: skip


def links(seats: int, *names: str) -> Links:
    """Invented linkage of each seat: value, lag, beyond the house; seat 1 unknown."""
    made = {}
    for i, name in enumerate(names):
        value = np.linspace(0.0, 0.8, seats) * (1 - 0.2 * i)
        made[name] = np.stack([value, 2.5 * (value > 0), value / 4]).astype(np.float32)
    return made


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
    left_out: LeftOut | None = None,
    links: Links | None = None,
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
        left_out=left_out or {},
        links=links or {},
    )

"""Seats as published: own value or the house's, never a jump; seats of missing shards held. Pure numpy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools
from aggregator.house import section_histograms
from aggregator.merge import Merged
from aggregator.snapshot import STATES, SeatState
from relay.seat_plan import SeatPlan

SLEW_PER_S = 0.5  # contract 11
HELD_S = 4.0  # contract 11, for seats whose shard is missing
FADE_S = 6.0
LIVE = (SeatState.SETTLING, SeatState.RESTING, SeatState.FOLLOWING, SeatState.HELD, SeatState.FADING)
_IS_LIVE = np.isin(np.arange(STATES), LIVE)
_SAVED = ("own", "confidence", "fade", "state", "shard_bits", "age", "published")


class SeatGlide:
    """What was last delivered for each seat of the plan, and what is published; arrays (seats,), index seat - 1.

    ``published`` arousal, ``shown_confidence``, ``state`` are the snapshot's; ``age`` counts the ticks for which a
    seat's shard has been missing.
    """

    def __init__(self, plan: SeatPlan, tick_hz: float) -> None:
        self.plan, self.tick_hz = plan, tick_hz
        n = plan.seats
        self.own, self.published = np.full(n, 0.5), np.full(n, 0.5)
        self.confidence, self.fade = np.zeros(n), np.ones(n)
        self.shown_confidence, self.shown_fade = np.zeros(n), np.ones(n)
        self.state = np.zeros(n, np.uint8)
        self.shard_bits, self.age = np.zeros(n, np.int64), np.zeros(n, np.int64)

    def deliver(self, merged: Merged, missing: Sequence[int]) -> Merged:
        """Take the tick's seats. Seats that nobody delivered and whose shard may be one of ``missing`` are held::

            extra = clip((seconds missing - 4) / 6);  fade = max(fade, extra);  confidence *= 1 - extra

        and are added, with what confidence is left, to the histograms of the result: a lost server is no jump of the
        house. All other seats without a listener are absent. Raises ValueError for a seat beyond the plan.
        """
        seat = merged.seat
        if len(seat) and not 1 <= int(seat[0]) <= int(seat[-1]) <= self.plan.seats:
            raise ValueError(f"seat: found {seat[0]}..{seat[-1]}, allowed 1..{self.plan.seats}")
        at = seat - 1
        here = np.zeros(self.plan.seats, np.bool_)
        here[at] = True
        for name in ("own", "confidence", "fade", "state", "shard_bits"):
            getattr(self, name)[at] = getattr(merged, name)
        self.age[at] = 0
        lost = sum(1 << shard for shard in missing)
        held = ~here & ((self.shard_bits & lost) != 0) if lost else np.zeros_like(here)
        self._empty(~(here | held))
        self.shown_fade[:] = self.fade
        np.minimum(self.confidence, 1.0 - self.fade, out=self.shown_confidence)
        return self._hold(merged, np.flatnonzero(held)) if lost else merged

    def _empty(self, where: Bools) -> None:
        """Nobody there: absent, without confidence, gliding to the house."""
        self.confidence[where], self.fade[where], self.age[where] = 0.0, 1.0, 0
        self.state[where], self.shard_bits[where] = SeatState.ABSENT, 0

    def _hold(self, merged: Merged, at: NDArray[np.intp]) -> Merged:
        self.age[at] += 1
        extra = np.clip((self.age[at] / self.tick_hz - HELD_S) / FADE_S, 0.0, 1.0)
        self.shown_fade[at] = np.maximum(self.fade[at], extra)
        confidence = self.confidence[at] * (1.0 - extra)
        self.shown_confidence[at] = np.minimum(confidence, 1.0 - self.shown_fade[at])
        quiet = np.where(extra < 1.0, np.where(extra > 0.0, SeatState.FADING, SeatState.HELD), SeatState.LOST)
        self.state[at] = np.where(_IS_LIVE[self.state[at]], quiet, self.state[at])
        section, sections = self.plan.section[at], len(self.plan.sections)
        weights, sums, counted = section_histograms(2.0 * self.own[at] - 1.0, confidence, section, sections)
        states = np.bincount(section * STATES + self.state[at], minlength=sections * STATES).reshape(sections, STATES)
        return replace(
            merged,
            weights=merged.weights + weights,
            sums=merged.sums + sums,
            counted=merged.counted + counted,
            states=merged.states + states,
        )

    def glide(self, house: float) -> None:
        """Move each seat by at most 0.5 a second towards ``(1 - fade) * own + fade * house``."""
        step = SLEW_PER_S / self.tick_hz
        move = house - self.own
        move *= self.shown_fade
        move += self.own
        move -= self.published
        self.published += np.clip(move, -step, step, out=move)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """For checkpoints: what the next tick depends on."""
        return {name: getattr(self, name).copy() for name in _SAVED}

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays`. Raises ValueError for another number of seats."""
        for name in _SAVED:
            if saved[name].shape != getattr(self, name).shape:
                raise ValueError(f"seats: saved {saved[name].shape}, expected {getattr(self, name).shape}")
            getattr(self, name)[:] = saved[name]

"""The negative control: sensors without a finger must not move with the house. Pure numpy.

Stage light and bass in the seats reach an optical sensor with and without a finger. Without one it has nothing to say,
so what is looked at is its *claim*: how far it is trusted as if a finger were on it, 0 to 1. When claims come and go
with the house, the house's confidence falls, because the movement is then likely to be the show's, not the listeners'.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Floats

SAMPLE_MS = 250
WINDOW = 240  # samples, 60 s, as synchrony's window
LEAST = 80  # samples, 20 s: shorter stretches of slow signals correlate by chance
CHANCE_CORRELATION = 0.6  # two slow signals reach 0.5 by chance in a minute (D, about 12 independent stretches)
SURE_CORRELATION = 0.9
HOUSE_STILL = 0.005  # sd of arousal: a house at rest has 0.004 (D)
HOUSE_MOVING = 0.02  # and a step of 0.04 in the middle of the window this (D)
CLAIM_STILL = 0.05  # sd of the mean claim: noise has 0.02 (D)
CLAIM_MOVING = 0.1  # light and bass have 0.3 to 0.5 (D)
CLAIMED = 0.5  # of a finger's trust: as long as blanks claim so much, what was found goes on
RELEASE_S = 10.0  # and is then let go with this time constant
BLANK_SYNCHRONY = 0.3  # synchrony among blanks: nothing but the hall can make them alike


class BlankControl:
    """Series of the house's arousal and of the blanks' claim at 4 Hz over 60 s of house time, and the penalty they
    give. What was found holds while the blanks go on claiming: a light that stays on moves nothing any more, but is in
    what the listeners' sensors say."""

    def __init__(self) -> None:
        self._ring = np.full((2, WINDOW), np.nan)
        self._n = -1
        self._held = 0.0
        self.penalty = 0.0

    def push(self, cut_ms: int, house: float, claim: float, synchrony: tuple[float, float] = (0.0, 0.0)) -> float:
        """Add what the tick says and return the penalty in [0, 1] to take from the house's confidence.

        ``house``: arousal, ``claim``: mean over the blanks, [0, 1]; NaN where nobody counts. ``synchrony``: (value,
        confidence) among the blanks.
        """
        n = cut_ms // SAMPLE_MS
        if n != self._n:
            step = min(n - self._n, WINDOW) if 0 <= self._n < n else WINDOW
            self._ring[:, : WINDOW - step] = self._ring[:, step:].copy()
            self._ring[:, WINDOW - step :] = np.nan
            self._ring[:, -1] = house, claim
            self._n = n
            if not claim >= CLAIMED:
                self._held *= math.exp(-step * SAMPLE_MS / 1000 / RELEASE_S)
            self._held = max(self._held, penalty(self._ring[0], self._ring[1]))
            alike = synchrony[1] * min(max((synchrony[0] - BLANK_SYNCHRONY) / (1.0 - BLANK_SYNCHRONY), 0.0), 1.0)
            self.penalty = max(self._held, alike)
        return self.penalty

    def arrays(self) -> dict[str, NDArray[Any]]:
        """For checkpoints."""
        return {
            "ring": self._ring.copy(),
            "n": np.array([self._n]),
            "penalty": np.array([self.penalty, self._held]),
        }

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays`."""
        self._ring[:] = saved["ring"]
        self._n = int(saved["n"][0])
        self.penalty, self._held = (float(v) for v in saved["penalty"])


def penalty(house: Floats, claim: Floats) -> float:
    """How far the blanks speak against the house, [0, 1]; series (samples,), NaN for gaps::

        r = correlation over samples that both have, after each one's mean
        penalty = clip((|r| - 0.6) / 0.3) * clip((sd(house) - 0.005) / 0.015) * clip((sd(claim) - 0.05) / 0.05)

    Either sign: light can raise a pulse rate that is not there, or hide one that is. 0 below 20 s. Does not see what
    moves listeners and not the blanks (sweat-slipped electrodes, a hand that claps), nor a light that only some seats
    get; and cannot tell bass that begins with a climax from bass that is taken for one. Source: our own definition.
    """
    both = np.isfinite(house) & np.isfinite(claim)
    if int(both.sum()) < LEAST:
        return 0.0
    a, b = house[both] - house[both].mean(), claim[both] - claim[both].mean()
    moved, claimed = (float(np.sqrt(np.mean(x * x))) for x in (a, b))
    if moved <= HOUSE_STILL or claimed <= CLAIM_STILL:
        return 0.0
    sure = _share(abs(float(np.mean(a * b))) / (moved * claimed), CHANCE_CORRELATION, SURE_CORRELATION)
    return sure * _share(moved, HOUSE_STILL, HOUSE_MOVING) * _share(claimed, CLAIM_STILL, CLAIM_MOVING)


def _share(x: float, low: float, high: float) -> float:
    return min(max((x - low) / (high - low), 0.0), 1.0)

"""The negative control: sensors without a finger must not move with the house. Pure numpy.

Stage light, bass in the seats and clapping reach an optical sensor with and without a finger. When what the blanks
"say" follows the house, the house's confidence falls, because the movement is then likely to be the show's, not the
listeners'.
"""

from __future__ import annotations

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
STILL = 0.01  # arousal: blanks that move less than this say nothing
MOVING = 0.04  # arousal: a standard deviation that would be seen on stage
BLANK_SYNCHRONY = 0.3  # synchrony among blanks: nothing but the hall can make them alike


class BlankControl:
    """Series of house and blank arousal at 4 Hz over 60 s of house time, and the penalty they give."""

    def __init__(self) -> None:
        self._ring = np.full((2, WINDOW), np.nan)
        self._n = -1
        self.penalty = 0.0

    def push(self, cut_ms: int, house: float, blank: float, synchrony: tuple[float, float] = (0.0, 0.0)) -> float:
        """Add what the tick says and return the penalty in [0, 1] to take from the house's confidence.

        ``house``, ``blank``: arousal, NaN where nobody counts. ``synchrony``: (value, confidence) among the blanks.
        """
        n = cut_ms // SAMPLE_MS
        if n != self._n:
            step = min(n - self._n, WINDOW) if 0 <= self._n < n else WINDOW
            self._ring[:, : WINDOW - step] = self._ring[:, step:].copy()
            self._ring[:, WINDOW - step :] = np.nan
            self._ring[:, -1] = house, blank
            self._n = n
            moved = penalty(self._ring[0], self._ring[1])
            alike = synchrony[1] * min(max((synchrony[0] - BLANK_SYNCHRONY) / (1.0 - BLANK_SYNCHRONY), 0.0), 1.0)
            self.penalty = max(moved, alike)
        return self.penalty

    def arrays(self) -> dict[str, NDArray[Any]]:
        """For checkpoints."""
        return {"ring": self._ring.copy(), "n": np.array([self._n]), "penalty": np.array([self.penalty])}

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays`."""
        self._ring[:] = saved["ring"]
        self._n, self.penalty = int(saved["n"][0]), float(saved["penalty"][0])


def penalty(house: Floats, blank: Floats) -> float:
    """How far the blanks speak against the house, [0, 1]; series (samples,), NaN for gaps::

        r = correlation over samples that both have, after each one's mean
        penalty = clip((r - 0.6) / 0.3) * clip((sd(blank) - 0.01) / 0.03)

    0 below 20 s. Does not see what moves listeners and not the blanks (sweat-slipped electrodes, a hand that claps),
    nor a light that only some seats get. Source: our own definition.
    """
    both = np.isfinite(house) & np.isfinite(blank)
    if int(both.sum()) < LEAST:
        return 0.0
    a, b = house[both] - house[both].mean(), blank[both] - blank[both].mean()
    deviation = float(np.sqrt(np.mean(b * b)))
    power = float(np.sqrt(np.mean(a * a))) * deviation
    if power < 1e-9:
        return 0.0
    r = float(np.mean(a * b)) / power
    sure = (r - CHANCE_CORRELATION) / (SURE_CORRELATION - CHANCE_CORRELATION)
    moving = (deviation - STILL) / (MOVING - STILL)
    return min(max(sure, 0.0), 1.0) * min(max(moving, 0.0), 1.0)

"""The house's published synchrony: a feature that few can be measured by for a while keeps what it said. Pure numpy."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.snapshot import SynchronySums
from aggregator.synchrony import CYCLE_MS, FEATURES, synchrony

MEMORY_S = 60.0  # one window: so long does what a disturbance took remain missing in it
RISE_S = 10.0  # a feature that comes in counts after some windows of its own, so that it cannot jump the value


class SynchronyGlide:
    """One number from both features over time, so that sensors which drop out do not read as people who agree.

    Skin drive and pulse rate are alike to different degrees, so a mean over them moves when either loses its
    listeners, although nobody felt anything: after applause, for one window's length, a handful of skin sensors stands
    for the house. At each new window, a feature f with P pairs of listeners a sample::

        most_f   = max(P, most_f * exp(-time since the last / 60 s))
        value_f += P / most_f * (new_f - value_f)             new_f as aggregator.synchrony, clipped to [0, 1]
        weight_f towards its confidence: rising with 10 s, falling with 60 s
        published = sum(weight_f * value_f) / sum(weight_f);  confidence = the same mean of the present confidences

    As long as as many as before can be measured, each value is the newest window's. Does not know why listeners were
    lost: those who left for good are followed late, over a minute. Source: our own definition; P as 1 / P is what the
    variance of a mean over pairs falls with (D).
    """

    def __init__(self) -> None:
        self._value, self._weight, self._most = (np.zeros(len(FEATURES)) for _ in range(3))
        self._end_ms = -1
        self.published = (0.0, 0.0)

    def follow(self, sums: SynchronySums | None) -> tuple[float, float]:
        """(synchrony, confidence) after the newest window; the same ``end_ms`` again changes nothing."""
        if sums is None or sums.end_ms <= self._end_ms:
            return self.published
        new = synchrony(sums)
        first = self._end_ms < 0
        passed_s = CYCLE_MS / 1000 if first else (sums.end_ms - self._end_ms) / 1000
        self._end_ms = sums.end_ms
        self._most = np.maximum(new.pairs, self._most * math.exp(-passed_s / MEMORY_S))
        self._value += new.pairs / np.maximum(self._most, 1e-9) * (new.value - self._value)
        rise, fall = (1.0 - math.exp(-passed_s / tau_s) for tau_s in (RISE_S, MEMORY_S))
        change = new.confidence - self._weight
        alone = not self._weight.any()
        self._weight += np.where(change > 0.0, 1.0 if alone else rise, fall) * change
        total = float(self._weight.sum())
        if total > 0.0:
            share = self._weight / total
            self.published = float(np.sum(share * self._value)), float(np.sum(share * new.confidence))
        return self.published

    def arrays(self) -> dict[str, NDArray[Any]]:
        """For checkpoints."""
        columns = np.stack((self._value, self._weight, self._most))
        return {"features": columns, "end": np.array([self._end_ms]), "published": np.array(self.published)}

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays` with the same bits."""
        self._value, self._weight, self._most = np.array(saved["features"], np.float64)
        self._end_ms = int(saved["end"][0])
        self.published = float(saved["published"][0]), float(saved["published"][1])

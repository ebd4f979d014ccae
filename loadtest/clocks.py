"""Simulated phones' clocks: an origin, a crystal, and now and then somebody sets them. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loadtest.scenario import Scenario

Ints = NDArray[np.int64]


class PhoneClocks:
    """Phone time of ``scenario.phones`` phones, microseconds since each one's own origin."""

    def __init__(self, scenario: Scenario) -> None:
        draw = np.random.default_rng((scenario.seed, 3))
        count, clocks = scenario.phones, scenario.clocks
        self.origin_us = draw.integers(10**10, 10**12, count)
        self.rate = 1.0 + draw.uniform(-clocks.drift_ppm, clocks.drift_ppm, count) * 1e-6
        jumps = draw.uniform(0.0, 1.0, count) < clocks.jump_share
        self.jump_at_s = np.where(jumps, draw.uniform(0.2, 0.8, count) * scenario.seconds, np.inf)
        self._any_jump = bool(jumps.any())
        self.jump_us = (draw.uniform(-clocks.jump_s, clocks.jump_s, count) * 1e6).astype(np.int64)

    def at(self, phones: Ints, t_s: float) -> Ints:
        """These phones' time at ``t_s`` of the test, shape (phones,)."""
        if not self._any_jump:
            return self.origin_us[phones] + np.rint(t_s * 1e6 * self.rate[phones]).astype(np.int64)
        base = self.origin_us[phones] + np.rint(t_s * 1e6 * self.rate[phones]).astype(np.int64)
        return base + np.where(t_s >= self.jump_at_s[phones], self.jump_us[phones], 0)

"""A small house on the level of readings: what kernels would say, fed to the fusion tick by tick."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aggregator.dsp import fusion
from aggregator.dsp.baseline import BaselineSettings, Prior
from aggregator.dsp.columns import Bools, Floats
from aggregator.dsp.features import AUDIENCE, FusionInputs, Reading
from aggregator.dsp.fusion import FusionSettings, FusionState

CALM = {
    "pulse_rate": 70.0,
    "pulse_amplitude": 100.0,
    "skin_level": 5.0,
    "skin_drive": 0.0,
    "skin_responses": 2.0,
    "temperature": 33.0,
}
CHANNEL = {f.name: f.channel for f in AUDIENCE.features}
SHORT = FusionSettings(baseline=BaselineSettings(rest_s=20))


class House:
    """``n`` listeners at ``dt_s`` a tick. ``trust`` by channel and ``age_s`` by channel may be set between runs."""

    def __init__(self, n: int, *, dt_s: float = 0.2, settings: FusionSettings = SHORT, keys: int = 0) -> None:
        self.n, self.dt_s, self.settings = n, dt_s, settings
        self.state = FusionState.allocate(n)
        fusion.begin(self.state, np.arange(n), np.arange(keys, keys + n))
        self.trust: dict[str, Floats] = {c: np.ones(n) for c in AUDIENCE.channels}
        self.age_s: dict[str, Floats] = {c: np.zeros(n) for c in AUDIENCE.channels}
        self.movement: Floats | None = None
        self.prior: Prior | None = None

    def inputs(self, values: Mapping[str, Floats | float]) -> FusionInputs:
        readings = {
            name: Reading(np.broadcast_to(np.asarray(x, np.float64), (self.n,)), (self.trust[CHANNEL[name]],))
            for name, x in values.items()
        }
        return FusionInputs(readings, self.age_s, self.movement)

    def tick(self, values: Mapping[str, Floats | float], *, rest: bool = False, drift: bool = False) -> None:
        every: Bools = np.ones(self.n, np.bool_)
        fusion.observe(
            self.state,
            self.inputs(values),
            rest=every & rest,
            drift=every & drift,
            dt_s=self.dt_s,
            prior=self.prior,
            settings=self.settings,
        )

    def run(
        self, seconds: float, values: Mapping[str, Floats | float], *, rest: bool = False, drift: bool = False
    ) -> Floats:
        """Arousal after each tick, (ticks, n)."""
        made = []
        for _ in range(round(seconds / self.dt_s)):
            self.tick(values, rest=rest, drift=drift)
            made.append(self.state.arousal.copy())
        return np.array(made)


def rested(n: int = 1, **more: object) -> House:
    """A house with a proper baseline of CALM (20 s), settled."""
    house = House(n, **more)  # type: ignore[arg-type]
    house.run(24.0, CALM, rest=True)
    house.run(20.0, CALM)
    return house

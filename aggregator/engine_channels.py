"""Which kernel each kind of channel goes through, on which grid, and which body events it decides. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from aggregator.dsp import breath, electrodermal, motion, muscle, pulse, scalar, temperature
from aggregator.dsp.columns import Columns, Floats, Rows, column
from aggregator.dsp.grid import (
    BREATH_HZ,
    MOTION_HZ,
    MUSCLE_HZ,
    PULSE_HZ,
    SCALAR_HZ,
    SKIN_HZ,
    TEMPERATURE_HZ,
    Events,
    GridBlock,
)
from aggregator.dsp.resample import GridState, Mode, resample
from aggregator.engine_view import RowEvents
from aggregator.engine_waits import Waits, arrive, leave
from aggregator.intake import Samples
from aggregator.listeners import MAX_PERFORMERS, SCALARS, Kind

# How often slow channels are computed. Skin: responses rise in 0.5-5 s and are decided 0.9 s after their onset, so that
# 0.05 s more in the mean is little; temperature lags by 15 s.
SKIN_TURNS_HZ = 5
TEMPERATURE_TURNS_HZ = 2


@dataclass(slots=True)
class ArrivalState(Columns):
    """When each channel of the audience's kinds was last heard: stamps in seconds of house time, -inf never."""

    pulse_s: Floats = column(doc="stamp of the newest pulse sample, s", fill=-np.inf)
    skin_s: Floats = column(doc="stamp of the newest skin sample, s", fill=-np.inf)
    temperature_s: Floats = column(doc="stamp of the newest temperature sample, s", fill=-np.inf)
    motion_s: Floats = column(doc="stamp of the newest motion sample, s", fill=-np.inf)


@dataclass(slots=True)
class SmallArrivalState(ArrivalState):
    """The same and the performers' own kinds, a row a performer."""

    breath_s: Floats = column(doc="stamp of the newest breath sample, s", fill=-np.inf)
    muscle_s: Floats = column(doc="stamp of the newest muscle sample, s", fill=-np.inf)
    scalar_1_s: Floats = column(doc="stamp of the newest sample of the first scalar, s", fill=-np.inf)
    scalar_2_s: Floats = column(doc="of the second", fill=-np.inf)
    scalar_3_s: Floats = column(doc="of the third", fill=-np.inf)
    scalar_4_s: Floats = column(doc="of the fourth", fill=-np.inf)


@dataclass(frozen=True, slots=True)
class Plan:
    """How a kind of channel is computed. ``small``: only performers have it. ``turns_hz``: its samples wait for its
    next turn, of about so many a second; 0: computed as they come."""

    name: str
    hz: int
    mode: Mode
    state: type[Any]
    update: Callable[[Any, GridBlock], Events]
    small: bool = False
    event: str = ""
    turns_hz: int = 0

    @property
    def heard(self) -> str:
        """The column of ArrivalState that tells when this kind was last heard."""
        return f"{self.name.replace('-', '_')}_s"


PLANS: dict[Kind, Plan] = {
    Kind.PULSE: Plan("pulse", PULSE_HZ, "linear", pulse.PulseState, pulse.update, event="beat"),
    Kind.SKIN: Plan(
        "skin", SKIN_HZ, "mean", electrodermal.SkinState, electrodermal.update, event="response", turns_hz=SKIN_TURNS_HZ
    ),
    Kind.TEMPERATURE: Plan(
        "temperature", TEMPERATURE_HZ, "mean", temperature.TemperatureState, temperature.update,
        turns_hz=TEMPERATURE_TURNS_HZ,
    ),
    Kind.MOTION: Plan("motion", MOTION_HZ, "mean", motion.MotionState, motion.update),
    Kind.BREATH: Plan("breath", BREATH_HZ, "mean", breath.BreathState, breath.update, small=True, event="breath"),
    Kind.MUSCLE: Plan("muscle", MUSCLE_HZ, "rectified", muscle.MuscleState, muscle.update, small=True),
    **{
        kind: Plan(f"scalar-{i + 1}", SCALAR_HZ, "mean", scalar.ScalarState, scalar.update, small=True)
        for i, kind in enumerate(SCALARS)
    },
}  # fmt: skip


@dataclass(slots=True)
class Channel:
    """One kind's columns: where each listener's stream stands on its grid, the kernel's state, and what waits."""

    kind: Kind
    plan: Plan
    grid: GridState
    state: Any
    update: Callable[[Any, GridBlock], Events]
    waits: Waits | None = None

    @classmethod
    def build(cls, kind: Kind, listeners: int, minimum_us: float) -> Channel:
        """Fresh columns; ``minimum_us``: smallest skin response counted."""
        plan = PLANS[kind]
        rows = MAX_PERFORMERS if plan.small else listeners
        update = partial(electrodermal.update, minimum_us=minimum_us) if kind is Kind.SKIN else plan.update
        waits = Waits.allocate(rows) if plan.turns_hz else None
        return cls(kind, plan, GridState.allocate(rows), plan.state.allocate(rows), update, waits)

    def resample(self, rows: Rows, samples: Samples) -> list[GridBlock]:
        """The samples' grid points."""
        return resample(
            self.grid, rows, samples.first, samples.count, samples.time_us, samples.value, samples.jumped,
            grid_hz=self.plan.hz, mode=self.plan.mode,
        )  # fmt: skip

    def arrive(self, rows: Rows, samples: Samples) -> Events:
        """Samples that came; ``rows`` are this kind's own. Those of a slow channel wait for its turn."""
        if self.waits is None:
            return self._run(rows, samples)
        return Events.join([self._run(some.rows, some) for some in arrive(self.waits, rows, samples)])

    def turn(self) -> Events:
        """A slow channel's turn: what waits is computed."""
        samples = None if self.waits is None else leave(self.waits)
        return Events.none() if samples is None else self._run(samples.rows, samples)

    def _run(self, rows: Rows, samples: Samples) -> Events:
        """Samples through grid and kernel."""
        return Events.join([self.update(self.state, block) for block in self.resample(rows, samples)])

    def body(self, events: Events, row: Rows) -> RowEvents:
        """Events with their phone time, of the main table's ``row``."""
        time_us = self.grid.origin_us[events.row] + events.index * (1e6 / self.plan.hz)
        return RowEvents(self.plan.event, row, time_us, events.value)

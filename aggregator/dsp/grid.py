"""What flows into and out of a kernel: blocks of samples on each listener's own grid, and body events."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Self

import numpy as np

from aggregator.dsp.columns import Bools, Floats, Ints, Rows

# Grid rates, Hz. Pulse: 5 Hz band, windows of the beat detector tuned at 64 (MEASUREMENTS); skin: responses rise in
# 0.5-5 s; temperature: lags by 15 s; motion: dancing and shaking up to 8 Hz; scalars: band powers and the like.
PULSE_HZ = 64
SKIN_HZ = 8
TEMPERATURE_HZ = 1
MOTION_HZ = 16
BREATH_HZ = 16
MUSCLE_HZ = 32
SCALAR_HZ = 4


@dataclass(frozen=True, slots=True)
class GridBlock:
    """Samples of one channel of ``m`` listeners, each on its own even grid, ragged: ``t`` steps at the most.

    ``rows`` intp (m,): distinct rows of the kernel's columns, ordered by falling ``count`` (then rising row), so that
    the listeners who still have a sample at step j are the first ``active(j)`` ones. ``count`` int64 (m,), >= 1.
    ``index`` int64 (m,): grid index of step 0 (time since the stream's grid origin = index / rate). ``restart`` bool
    (m,): step 0 does not follow the sample before it (first contact, a gap of over 2 s, a clock jump): filters begin
    anew from this sample; long-term features stay. ``x`` float64 (t, m), C-contiguous, finite everywhere (where not
    valid, the last valid value); ``valid`` bool (t, m).
    """

    rows: Rows
    count: Ints
    index: Ints
    restart: Bools
    x: Floats
    valid: Bools

    def active(self, step: int) -> int:
        """How many listeners have a sample at this step: a prefix of ``rows``."""
        return int(np.searchsorted(-self.count, -step, side="left"))

    def steps(self) -> Iterator[tuple[int, int]]:
        """Pairs (step, number of listeners active at it)."""
        edges = np.searchsorted(-self.count, -np.arange(len(self.x)), side="left")
        return enumerate(int(n) for n in edges)

    @property
    def empty(self) -> bool:
        return len(self.rows) == 0


@dataclass(frozen=True, slots=True)
class Events:
    """Body events that a kernel decided: ``row`` intp (e,), ``index`` float64 (e,) grid index (fractional) of the
    body event itself (systolic peak, response onset), ``value`` float64 (e,) (interval in s, amplitude in uS)."""

    row: Rows
    index: Floats
    value: Floats

    @classmethod
    def none(cls) -> Self:
        return cls(np.empty(0, np.intp), np.empty(0), np.empty(0))

    @classmethod
    def join(cls, parts: list[Self]) -> Self:
        """All of them, in the order given."""
        if not parts:
            return cls.none()
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([p.row for p in parts]),
            np.concatenate([p.index for p in parts]),
            np.concatenate([p.value for p in parts]),
        )

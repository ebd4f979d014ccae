"""Who is left out of a channel is counted, never silently: cold, faint, loose or moving sensors. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from aggregator.dsp.fusion import left_out
from aggregator.listeners import KINDS
from aggregator.snapshot import LeftOut, SeatState

if TYPE_CHECKING:
    from aggregator.engine import Engine
    from aggregator.engine_view import Seating

EVERY_MS = 1000  # trust is earned over seconds; a count that changes faster cannot be read
SETTLED_S = 60.0  # until then a channel may still get its provisional baseline (BaselineSettings.provisional_end_s)
_MEASURED = np.isin(np.arange(len(SeatState)), (SeatState.RESTING, SeatState.FOLLOWING))


class LeftOutCount:
    """``now``: by channel (left out, have the channel), as of the last full second."""

    def __init__(self) -> None:
        self.now: LeftOut = {}

    def step(self, engine: Engine, seats: Seating) -> None:
        """At the first tick of each second of house time count those whose sensor has the channel, and of these those
        without trust in any feature of it.

        Among listeners on a seat, resting or following, who came at least a minute ago: all others are told by the
        seat's state. Integers: the owners' counts add up to the house's, whatever the shards. Does not say why.
        """
        if engine.cut // EVERY_MS == (engine.cut - engine.step_ms) // EVERY_MS:
            return
        rows, state = seats.row, engine.chains.fusion
        rows = rows[_MEASURED[engine.states.state[rows]] & (state.ticks[rows] >= SETTLED_S * engine.tick_hz)]
        kinds = engine.listeners.table.kind[rows]
        made = {}
        for channel, out in left_out(state, rows).items():
            has = (kinds == KINDS[channel]).any(axis=1)
            made[channel] = (int(np.count_nonzero(out & has)), int(np.count_nonzero(has)))
        self.now = made

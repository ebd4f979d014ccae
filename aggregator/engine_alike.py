"""How alike the listeners' signals change, tick by tick: what the engine gives to aggregator.synchrony. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Floats, Rows
from aggregator.listeners import Listeners
from aggregator.snapshot import SynchronySums
from aggregator.synchrony import SAMPLE_MS, SynchronyState, SynchronyWindow, push

if TYPE_CHECKING:
    from aggregator.engine import Engine
    from aggregator.engine_view import Seating

TRUSTED = 0.5  # a feature below this quality says more about the sensor than about the listener
FRESH_S = 1.5  # older than this is a held value, which would look like calm


class Alike:
    """The rings of skin drive and pulse rate, and the windows of the audience and of the blank sensors."""

    def __init__(self, listeners: Listeners) -> None:
        self.state = SynchronyState.allocate(listeners.capacity)
        listeners.attach(self.state)
        self.audience, self.blank = SynchronyWindow(), SynchronyWindow()
        self.done: SynchronySums | None = None
        self.blank_done: SynchronySums | None = None

    def step(self, engine: Engine, seats: Seating) -> None:
        """Take a sample at the first tick of each quarter second, then work off the listeners that are due.

        Work is left for the ticks between those at which entries are used, so that none of them has to do both.
        Without consent, silent, muted, badly measured, or while fusion holds the listener for an artefact (movement, a
        hand that claps or lets go, and 2 s after): not valid. The blank sensors' features count at any quality and
        whatever moves: they are there to show what a sensor reads when nobody wears it.
        """
        n = engine.cut // SAMPLE_MS
        if n > (engine.cut - engine.step_ms) // SAMPLE_MS:
            used = slice(0, engine.listeners.used_rows)
            values, quality, at_s = engine.chains.alike(used)
            fresh = (engine.cut * 1e-3 - at_s < FRESH_S) & ~engine.states.muted[used, None]
            trusted = (quality >= TRUSTED) & ~engine.chains.disturbed(used)
            trusted[seats.blank] = True
            push(self.state, used, n, values, fresh & trusted, fresh & ~trusted)
        if engine.used_at(engine.k) == engine.k == engine.used_at(engine.k + 1):
            return
        key = engine.listeners.table.listener
        self.done = self.audience.advance(self.state, seats.row, key[seats.row], engine.cut)
        self.blank_done = self.blank.advance(self.state, seats.blank, key[seats.blank], engine.cut)

    def claims(self, engine: Engine, rows: Rows) -> Floats:
        """How far each of the rows is trusted in what it measures best, [0, 1]: what a blank sensor claims to read."""
        _, quality, at_s = engine.chains.alike(rows)
        fresh = engine.cut * 1e-3 - at_s < FRESH_S
        made: Floats = np.where(fresh, quality, 0.0).max(axis=1)
        return made

    def arrays(self) -> dict[str, NDArray[Any]]:
        """The windows under way, for checkpoints."""
        made: dict[str, NDArray[Any]] = {}
        for name, window in (("audience", self.audience), ("blank", self.blank)):
            made |= {f"{name}/{key}": array for key, array in window.arrays().items()}
        return made

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays`."""
        for name, window in (("audience", self.audience), ("blank", self.blank)):
            window.load({k.removeprefix(f"{name}/"): a for k, a in saved.items() if k.startswith(f"{name}/")})

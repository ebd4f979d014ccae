"""Finding the limit: climb until a step breaks, then step where it is most doubtful. Pure: the caller runs the steps.

Near its limit a house holds sometimes and breaks sometimes, and a shared machine makes any step break now and then. So
no single step decides. What is estimated is the number of phones L at which a step holds half of the time::

    P(held | n, L, w) = FLUKE + (1 - FLUKE - HICCUP) / (1 + (n / L) ** (1 / w))

with every step, held or broken, counted once, all L equally likely on a logarithmic scale beforehand, and each of
three widths ``w``. The next step is taken at the median of what is then believed of L: the number about which a step
says most. (The psychometric method of Watson and Pelli, 1983: quantities on a logarithmic scale, trials at the current
best estimate, a lapse rate; from memory.)
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loadtest.scenario import Limit

HICCUP = 0.12  # a step breaks though the house could: other programs, a late disk (a guess, on the kind side)
FLUKE = 0.02  # a step holds though the house could not
WIDTHS = (0.05, 0.1, 0.2)  # of the change from held to broken, on the logarithm; which one is learnt
POINTS_AN_E = 250  # steps of 0.4 % on the logarithmic axis
ABOVE = 0.7  # the axis ends at twice the most phones: beyond, the search cannot tell
# Below all that was tried, and above all that held, a step goes by the growth or this: breaks at the start may be
# chance, and a leap far above the limit drowns house and generator.
STRIDE = 2.0
CLIMB_TRIES = 2  # a break while climbing is tried once more before the climb ends
SPREAD = 0.9  # of belief inside the interval that is reported


@dataclass(frozen=True, slots=True)
class Try:
    """A step to run; ``near``: the limit is near, so measure for the whole time."""

    phones: int
    near: bool


@dataclass(frozen=True, slots=True)
class Found:
    """The number of phones at which a step holds half of the time, and the 90 % interval around it.

    ``beyond``: every number up to the most held; then ``low`` is that number and the limit lies above.
    """

    best: int
    low: int
    high: int
    beyond: bool = False


class Belief:
    """What is believed of the limit after the steps so far; ``most``: the largest number that can be tried."""

    def __init__(self, most: int) -> None:
        self._axis = np.arange(0.0, np.log(most) + ABOVE, 1.0 / POINTS_AN_E)
        self._log = np.zeros((len(WIDTHS), len(self._axis)))

    def saw(self, phones: int, held: bool) -> None:
        """Count one step."""
        away = (np.log(phones) - self._axis) / np.array(WIDTHS)[:, None]
        p = FLUKE + (1.0 - FLUKE - HICCUP) / (1.0 + np.exp(np.minimum(away, 500.0)))
        self._log += np.log(p if held else 1.0 - p)

    def at(self, *shares: float) -> list[float]:
        """The numbers of phones below which these shares of the belief lie."""
        weight: NDArray[np.float64] = np.exp(self._log - self._log.max()).sum(axis=0)
        below = np.cumsum(weight) / weight.sum()
        return [float(np.exp(self._axis[int(np.searchsorted(below, share))])) for share in shares]

    def found(self) -> Found:
        """The estimate now."""
        low, best, high = (round(n) for n in self.at((1 - SPREAD) / 2, 0.5, (1 + SPREAD) / 2))
        return Found(max(best, 1), max(low, 1), max(high, 1))


def search(limit: Limit, most: int) -> Generator[Try, bool, Found]:
    """Yields what to try next and is sent whether it held; returns what was found.

    Tries ``start`` once without counting it and climbs from it by ``growth``; then up to ``tries`` steps near the
    limit, fewer once the interval's ends are within ``resolution`` of its middle.
    """
    belief, phones, broken, highest = Belief(most), min(limit.start, most), 0, 1
    yield Try(phones, False)  # a house that has just begun is not yet what it will be: this step does not count
    while broken < CLIMB_TRIES:
        held = yield Try(phones, False)
        belief.saw(phones, held)
        highest = phones if held else highest
        broken = 0 if held else broken + 1
        if held and phones == most:
            return Found(most, most, most, beyond=True)
        if held:
            phones = min(max(phones + 1, round(phones * limit.growth)), most)
    lowest = phones
    for _ in range(limit.tries):
        low, best, high = belief.at((1 - SPREAD) / 2, 0.5, (1 + SPREAD) / 2)
        if high / best <= 1 + limit.resolution and best / low <= 1 + limit.resolution:
            break
        lowest = min(lowest, phones)
        stride = max(limit.growth, STRIDE)
        phones = min(max(round(best), round(lowest / stride), 1), round(max(highest, lowest) * stride), most)
        held = yield Try(phones, True)
        belief.saw(phones, held)
        highest = max(highest, phones) if held else highest
    return belief.found()

"""Finding the limit: climb until a step breaks, then halve the interval. Pure: the caller runs the steps."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from loadtest.scenario import Limit


@dataclass(frozen=True, slots=True)
class Found:
    """The largest number of phones that held (0: none), the smallest that broke (``most`` + 1: none did)."""

    held: int
    broke: int

    @property
    def middle(self) -> float:
        """The best single figure: the middle of the interval that is left."""
        return (self.held * self.broke) ** 0.5 if self.held else self.broke / 2


def search(limit: Limit, most: int) -> Generator[int, bool, Found]:
    """Yields the number of phones to try next and is sent whether it held; returns what was found.

    Climbs by ``growth`` from ``start``; a number that breaks is tried ``repeats`` times before it counts, because one
    hiccup of a shared machine is no limit; then halves the interval (geometrically) down to ``resolution``.
    """
    held, broke, phones = 0, most + 1, min(limit.start, most)
    while broke > most:
        if (yield from _try(phones, limit.repeats)):
            held = phones
            if phones == most:
                return Found(held, broke)
            phones = min(max(phones + 1, round(phones * limit.growth)), most)
        else:
            broke = phones
    while broke - held > max(1, limit.resolution * broke):
        phones = round((held * broke) ** 0.5) if held else broke // 2
        phones = min(max(phones, held + 1), broke - 1)
        if (yield from _try(phones, limit.repeats)):
            held = phones
        else:
            broke = phones
    return Found(held, broke)


def _try(phones: int, repeats: int) -> Generator[int, bool, bool]:
    for _ in range(repeats):
        if (yield phones):
            return True
    return False

"""The house's seats: numbers, sections and places. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SECTION_KEY = re.compile(r"[a-z0-9-]{1,24}")
MAX_SEATS = 200_000  # a festival of several halls


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the house: ``key`` is its name in addresses, ``title`` what people read."""

    key: str
    title: str


@dataclass(frozen=True, slots=True)
class SeatPlan:
    """Seats 1..n in the plan's order.

    ``section`` int64 (n,) index into ``sections``; ``x``, ``y`` float64 (n,) places in metres, stage at y = 0;
    ``labels`` (n,) what is printed on the seat. Index i is seat number i + 1.
    """

    sections: tuple[Section, ...]
    section: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    labels: tuple[str, ...]

    @property
    def seats(self) -> int:
        return len(self.section)


class SeatPlanError(ValueError):
    """A seat plan that cannot be used; the message names the seat or section, what was found and what is allowed."""


DEMO_SECTIONS = (("stalls", "Stalls"), ("circle", "Circle"), ("balcony", "Balcony"))


def generated(seats: int, sections: Sequence[tuple[str, str]] = DEMO_SECTIONS) -> SeatPlan:
    """An invented hall for the demo: rows of even width, split into the sections from the stage backwards."""
    if not 0 < seats <= MAX_SEATS:
        raise SeatPlanError(f"seats: found {seats}, allowed 1..{MAX_SEATS}")
    width = max(4, int(np.ceil(np.sqrt(seats * 1.8))))
    number = np.arange(seats)
    row, place = number // width, number % width
    section = np.minimum(number * len(sections) // seats, len(sections) - 1).astype(np.int64)
    labels = tuple(f"{_row_name(int(r))}{int(p) + 1}" for r, p in zip(row, place, strict=True))
    x = (place - (width - 1) / 2) * 0.55  # metres between seat centres, common practice
    y = 4.0 + row * 0.95 + section * 2.0
    return SeatPlan(
        tuple(Section(k, t) for k, t in sections), section, x.astype(np.float64), y.astype(np.float64), labels
    )


def _row_name(row: int) -> str:
    """A, B … Z, AA, AB …"""
    name = ""
    row += 1
    while row:
        row, digit = divmod(row - 1, 26)
        name = chr(65 + digit) + name
    return name

"""The house's seats: numbers, sections and places. Pure."""

from __future__ import annotations

import re
import tomllib
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


def parse(text: str) -> SeatPlan:
    """A seat plan from its TOML text: sections in order, each with rows from the stage backwards::

        [[section]]
        key = "stalls"        # its name in addresses: a-z, 0-9 and -
        title = "Stalls"
        rows = [ { name = "A", seats = 24 }, { name = "B", seats = 26 } ]

    A row may give ``y`` (metres from the stage) and ``x`` (metres of its first seat; default centred), ``pitch``
    (metres between seats, default 0.55) and ``first`` (number of its first seat, default 1).

    Raises:
        SeatPlanError: with the section and row at fault.
    """
    try:
        sections = tomllib.loads(text).get("section", [])
    except tomllib.TOMLDecodeError as error:
        raise SeatPlanError(f"seat plan is not TOML: {error}") from error
    if not isinstance(sections, list) or not sections:
        raise SeatPlanError("seat plan has no [[section]]")
    made: list[Section] = []
    places: list[tuple[int, float, float, str]] = []
    depth = 4.0  # metres from the stage to the first row, when rows give none
    for number, body in enumerate(sections):
        section = _section(body, {s.key for s in made})
        made.append(section)
        rows = body.get("rows", [])
        if not isinstance(rows, list) or not rows:
            raise SeatPlanError(f"section {section.key}: has no rows")
        for row in rows:
            y, seats = _row(section.key, row, depth)
            places.extend((number, x, y, label) for x, label in seats)
            depth = y + 0.95  # metres between rows, common practice
        depth += 2.0
    if len(places) > MAX_SEATS:
        raise SeatPlanError(f"seat plan: found {len(places)} seats, allowed 1..{MAX_SEATS}")
    index, x, y_all, labels = zip(*places, strict=True)
    return SeatPlan(
        tuple(made), np.array(index, np.int64), np.array(x, np.float64), np.array(y_all, np.float64), labels
    )


def _section(body: object, taken: set[str]) -> Section:
    if not isinstance(body, dict):
        raise SeatPlanError("seat plan: [[section]] must be a table")
    unknown = set(body) - {"key", "title", "rows"}
    key = body.get("key")
    if not isinstance(key, str) or not SECTION_KEY.fullmatch(key) or key in taken:
        raise SeatPlanError(f"section key: found {key!r}, allowed a-z, 0-9 and -, up to 24 characters, each once")
    if unknown:
        raise SeatPlanError(f"section {key}: unknown keys {', '.join(sorted(unknown))}; allowed: key, title, rows")
    return Section(key, str(body.get("title", key)))


def _row(section: str, row: object, depth: float) -> tuple[float, list[tuple[float, str]]]:
    """One row's distance from the stage and its seats as (x, label)."""
    if not isinstance(row, dict) or not isinstance(row.get("name"), str):
        raise SeatPlanError(f"section {section}: a row needs a name, e.g. {{ name = 'A', seats = 20 }}")
    unknown = set(row) - {"name", "seats", "x", "y", "pitch", "first"}
    seats, first = row.get("seats", 0), row.get("first", 1)
    numbers = [row.get("pitch", 0.55), row.get("y", depth), row.get("x", 0.0)]
    whole = all(isinstance(v, int) and not isinstance(v, bool) for v in (seats, first))
    if unknown or not whole or not all(isinstance(v, (int, float)) for v in numbers) or not 0 < seats <= 2000:
        allowed = "name, seats 1..2000, first, x, y, pitch"
        raise SeatPlanError(f"section {section}, row {row.get('name')}: found {row}, allowed: {allowed}")
    pitch, y, _ = (float(v) for v in numbers)
    left = float(row["x"]) if "x" in row else -pitch * (seats - 1) / 2
    return y, [(left + pitch * i, f"{row['name']}{first + i}") for i in range(seats)]

"""``ripieno analyse`` over arrays: written to a file, run in process, its two tables read back."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from aggregator.command import main
from aggregator.command.analyse import FEATURES

Array = NDArray[np.float64]
TICK_HZ = 4.0  # rows a second: what is computed does not depend on it, and each row costs a millisecond
TRUSTED = 0.5  # quality from which on a value is to be trusted
_file_number = itertools.count()


@dataclass(frozen=True)
class Analysed:
    """``rows``: features by column, NaN for an empty cell; ``state`` by row; ``events``: kind -> (time_s, value)."""

    rows: dict[str, Array]
    state: list[str]
    beats: Array
    intervals_s: Array
    responses: Array
    amplitudes_us: Array

    def __getitem__(self, column: str) -> Array:
        return self.rows[column]


def write(path: Path, columns: Mapping[str, Array], delimiter: str = ",") -> Path:
    """A table with one line of names; NaN becomes an empty cell."""
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, delimiter=delimiter)
        rows.writerow(columns)
        for row in zip(*(column.tolist() for column in columns.values()), strict=True):
            rows.writerow("" if value != value else repr(value) for value in row)
    return path


def analyse(directory: Path, columns: Mapping[str, Array], *options: str, tick_hz: float = TICK_HZ) -> Analysed:
    """Run the command over these columns with these options (the file and the outputs are added)."""
    number = next(_file_number)
    source, out, events = (directory / f"{number}-{name}.csv" for name in ("in", "features", "events"))
    write(source, columns)
    given = ["analyse", str(source), *options, "--out", str(out), "--events", str(events), "--tick-hz", f"{tick_hz:g}"]
    assert main(given) == 0
    return read(out, events)


def read(out: Path, events: Path) -> Analysed:
    """The command's two tables."""
    with out.open(newline="", encoding="utf-8") as file:
        table = list(csv.reader(file))
    assert tuple(table[0]) == FEATURES
    rows = {
        name: np.array([float(row[i]) if row[i] else np.nan for row in table[1:]])
        for i, name in enumerate(FEATURES)
        if name != "state"
    }
    with events.open(newline="", encoding="utf-8") as file:
        found = list(csv.reader(file))
    assert found[0] == ["time_s", "kind", "value"]
    by_kind = {
        kind: np.array([(float(t), float(v) if v else np.nan) for t, k, v in found[1:] if k == kind]).reshape(-1, 2)
        for kind in ("beat", "response")
    }
    assert len(by_kind["beat"]) + len(by_kind["response"]) == len(found) - 1
    beats, responses = by_kind["beat"], by_kind["response"]
    return Analysed(rows, [row[-1] for row in table[1:]], beats[:, 0], beats[:, 1], responses[:, 0], responses[:, 1])


def pairs(ours_s: Array, reference_s: Array, tolerance_s: float) -> int:
    """Greatest number of one-to-one pairs within the tolerance, both sorted."""
    i = j = found = 0
    while i < len(ours_s) and j < len(reference_s):
        apart = ours_s[i] - reference_s[j]
        if abs(apart) <= tolerance_s:
            found, i, j = found + 1, i + 1, j + 1
        elif apart < 0:
            i += 1
        else:
            j += 1
    return found

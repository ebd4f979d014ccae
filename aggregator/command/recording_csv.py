"""A recorded signal file (CSV) as arrays, with errors that name the line, the column and what was found."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from aggregator.command.errors import UserError

MAX_ROWS = 50_000_000  # 140 h at 100 Hz: a file beyond this is not one evening's recording
TIME_UNITS_S = {"s": 1.0, "ms": 1e-3}


@dataclass(frozen=True, slots=True)
class Recording:
    """``time_s`` float64 (n,), the recording's own and increasing; ``columns`` name -> float64 (n,), NaN = missing."""

    time_s: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    even_hz: float | None


def read(path: Path, wanted: list[str], *, rate_hz: float | None, time_column: str | None, time_unit: str) -> Recording:
    """Read the wanted columns of a CSV file (comma, semicolon or tab; first line names the columns).

    Raises:
        UserError: no such file or column, a cell that is no number, times that do not increase, no rows.
    """
    names = [*([time_column] if time_column else []), *wanted]
    columns = _columns(path, names, timed=time_column is not None)
    if time_column:
        time_s = columns[time_column] * TIME_UNITS_S[time_unit]
        _increasing(path, time_column, time_s)
    else:
        assert rate_hz is not None
        time_s = np.arange(len(columns[wanted[0]])) / rate_hz
    return Recording(time_s, {name: columns[name] for name in wanted}, rate_hz)


def _columns(path: Path, names: list[str], *, timed: bool) -> dict[str, NDArray[np.float64]]:
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            first = file.readline()
            delimiter = max(",;\t", key=first.count)
            header = [cell.strip() for cell in next(csv.reader([first], delimiter=delimiter), [])]
            places = [_place(path, header, name) for name in names]
            cells = list(_cells(path, csv.reader(file, delimiter=delimiter), names, places, len(header), timed))
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check the name") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UserError(f"{path}: is not a text file of comma-separated values ({error})") from error
    if len(cells) < 2:
        raise UserError(f"{path}: holds {len(cells)} rows below its header; a recording needs at least two")
    table = np.array(cells, np.float64)
    return {name: table[:, i] for i, name in enumerate(names)}


def _place(path: Path, header: list[str], name: str) -> int:
    if name not in header:
        raise UserError(f"{path}: line 1 has no column {name!r}; it has: {', '.join(header) or 'nothing'}")
    return header.index(name)


def _cells(
    path: Path, rows: Iterator[list[str]], names: list[str], places: list[int], width: int, timed: bool
) -> Iterator[list[float]]:
    missing = 0  # rows without any cell: missing samples when more follow, the end of the file when none do
    for line, row in enumerate(rows, start=2):
        if not any(cell.strip() for cell in row):
            missing += bool(row) or width == 1
            continue
        if line > MAX_ROWS:
            raise UserError(f"{path}: has more than {MAX_ROWS} lines; split the recording")
        if len(row) < width and max(places) >= len(row):
            raise UserError(f"{path}: line {line} has {len(row)} cells, the header names {width}")
        if not timed:
            yield from ([math.nan] * len(names) for _ in range(missing))
        missing = 0
        yield [_number(path, line, name, row[place]) for name, place in zip(names, places, strict=True)]


def _number(path: Path, line: int, name: str, cell: str) -> float:
    """An empty cell or nan is a missing sample; anything else must be a finite number."""
    text = cell.strip()
    if not text or text.lower() == "nan":
        return float("nan")
    try:
        value = float(text)
    except ValueError:
        raise UserError(f"{path}: line {line}, column {name!r}: found {cell!r}, expected a number") from None
    if not np.isfinite(value):
        raise UserError(f"{path}: line {line}, column {name!r}: found {cell!r}, expected a finite number")
    return value


def _increasing(path: Path, name: str, time_s: NDArray[np.float64]) -> None:
    bad = np.flatnonzero(~(np.diff(time_s) > 0))
    if np.isnan(time_s[0]):
        raise UserError(f"{path}: line 2, column {name!r}: found no time")
    if len(bad):
        at = int(bad[0]) + 1
        raise UserError(
            f"{path}: line {at + 2}, column {name!r}: found {time_s[at]:g} s after {time_s[at - 1]:g} s (times rise)"
        )

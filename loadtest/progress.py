"""Live progress in the terminal: a table that is drawn again where it can be, plain lines where not. Shell."""

from __future__ import annotations

import math
import sys
import time
from types import TracebackType
from typing import TextIO

from rich.console import Console
from rich.live import Live
from rich.table import Table

from loadtest.measures import Measures, Row
from loadtest.scenario import Scenario

PLAIN_EVERY_S = 5.0


class Progress:
    """Shows one run on ``out``. A context manager; ``say`` prints a line beside it."""

    def __init__(self, scenario: Scenario, out: TextIO | None = None) -> None:
        self.scenario = scenario
        self.console = Console(file=out or sys.stderr)
        self._live: Live | None = None
        self._said_s = float("-inf")

    def __enter__(self) -> Progress:
        if self.console.is_terminal:
            self._live = Live(console=self.console, refresh_per_second=2, transient=True)
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def say(self, text: str) -> None:
        """One line, at once."""
        self.console.print(text, highlight=False, markup=False, soft_wrap=True)

    def show(self, measures: Measures) -> None:
        """The newest second."""
        if not measures.rows:
            return
        row = measures.rows[-1]
        if self._live is not None:
            self._live.update(self._drawn(row))
        elif time.monotonic() - self._said_s >= PLAIN_EVERY_S:
            self._said_s = time.monotonic()
            self.say("  ".join(f"{name} {value}" for name, value in _cells(row)))

    def _drawn(self, row: Row) -> Table:
        until = "" if self.scenario.limit.start else f" of {self.scenario.seconds:.0f} s"
        table = Table(title=f"{self.scenario.title}: {max(row.t_s, 0):.0f}{until}", title_justify="left")
        cells = _cells(row)
        for name, _ in cells[1:]:
            table.add_column(name, justify="right")
        table.add_row(*(value for _, value in cells[1:]))
        return table


def _cells(row: Row) -> list[tuple[str, str]]:
    return [
        ("time", f"{max(row.t_s, 0.0):.0f} s"),
        ("phones", f"{row.streaming:,}/{row.wanted:,}"),
        ("served", f"{row.followed:,}"),
        ("ack p99", _ms(row.ack_p99_ms)),
        ("to show engine p99", _ms(row.latency_p99_ms)),
        ("house CPU", "–" if math.isnan(row.house_cpu) else f"{row.house_cpu:.0%}"),
        ("own CPU", f"{row.own_cpu:.0%}"),
        ("own lateness p99", _ms(row.late_p99_ms)),
        ("arousal", "–" if math.isnan(row.house_arousal) else f"{row.house_arousal:.2f}"),
    ]


def _ms(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.0f} ms"

"""What a run measured, gathered from generators, the show engine's ear and the house's own metrics. Pure.

A window (``begin_s``, ``end_s``) restricts what is judged to a span of the run, as *find the limit* does step by step.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from loadtest.histogram import Histogram

ROWS_KEPT = 24 * 3600  # a day of seconds
SECTION_FRESH_S = 2.0  # a section's value is sent at every snapshot: older is no longer said
FOLLOWED_SHARE = 0.98  # recovered: this share of the phones that should be there are being served again
OTHERS_SHARE = 0.3  # of a core, on average: enough to make a house late now and then
GENERATOR_LATE_S = 0.050  # half a snapshot: later than this, the test measures itself
GENERATOR_CPU_SHARE = 0.90  # of one core, averaged over 5 s


class Ear(Protocol):
    """What :meth:`Measures.second` reads from the show engine's ear (loadtest.show_engine.ShowEngine)."""

    heard: Any


@dataclass(slots=True)
class Row:
    """One second of the run. ``own_cpu`` and ``house_cpu`` are shares of one core; durations in milliseconds."""

    t_s: float
    wanted: int = 0
    streaming: int = 0
    followed: int = 0
    packets: float = 0.0
    own_cpu: float = 0.0
    busiest_cpu: float = 0.0
    house_cpu: float = float("nan")
    other_cpu: float = float("nan")
    ack_p50_ms: float = float("nan")
    ack_p99_ms: float = float("nan")
    latency_p50_ms: float = float("nan")
    latency_p99_ms: float = float("nan")
    join_p99_s: float = float("nan")
    late_p99_ms: float = 0.0
    joins: int = 0
    house_arousal: float = float("nan")
    counted: int = 0


@dataclass(slots=True)
class Measures:
    """All of one run."""

    joins: Histogram = field(default_factory=Histogram)
    acks: Histogram = field(default_factory=Histogram)
    late: Histogram = field(default_factory=Histogram)
    step_acks: Histogram = field(default_factory=Histogram)
    step_late: Histogram = field(default_factory=Histogram)
    rows: deque[Row] = field(default_factory=lambda: deque(maxlen=ROWS_KEPT))
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    metrics: dict[str, float] = field(default_factory=dict)
    first_metrics: dict[str, float] = field(default_factory=dict)
    coverage: deque[tuple[float, NDArray[np.float64], NDArray[np.float64]]] = field(
        default_factory=lambda: deque(maxlen=ROWS_KEPT)
    )
    start_s: float = 0.0
    _newest: dict[int, dict[str, Any]] = field(default_factory=dict)
    _fresh: dict[int, list[dict[str, Any]]] = field(default_factory=dict)
    _own_share: dict[int, float] = field(default_factory=dict)  # of a core, as each generator said last
    _own_cpu_s: float = 0.0
    _cpu_s: dict[str, float] = field(default_factory=dict)
    _cpu_at_s: float = 0.0
    _machine_s: float = float("nan")

    def begin(self, start_s: float) -> None:
        """Time 0 of the run, monotonic."""
        self.start_s = start_s

    def mark(self) -> None:
        """A step of *find the limit* begins to count here."""
        self.step_acks, self.step_late = Histogram(), Histogram()

    def take(self, number: int, report: dict[str, Any]) -> None:
        """A generator's report of its last second."""
        acks, late = Histogram.load(report["acks"]), Histogram.load(report["late"])
        self.joins.merge(Histogram.load(report["joins"]))
        self.acks.merge(acks)
        self.late.merge(late)
        self.step_acks.merge(acks)
        self.step_late.merge(late)
        self._newest[number] = report
        self._fresh.setdefault(number, []).append(report)
        self._own_cpu_s += report["cpu_s"]

    def second(
        self, now_s: float, cpu_s: dict[str, float], metrics: dict[str, float], ear: Ear | None,
        machine_s: float = float("nan"),
    ) -> None:  # fmt: skip
        """Close one second, or more where this process was held up: what the generators reported in it, the house's CPU
        and metrics, what was heard.

        ``machine_s``: CPU seconds that all programs of this machine have used.
        """
        row = Row(now_s, *(sum(r[k] for r in self._newest.values()) for k in ("wanted", "streaming", "followed")))
        self._own(row)
        self._house(row, now_s, cpu_s, machine_s)
        if metrics:
            self.first_metrics = self.first_metrics or metrics
            self.metrics = metrics
        if ear is not None:
            self._hear(row, now_s, ear)
        self.rows.append(row)
        self._fresh = {}

    def _own(self, row: Row) -> None:
        acks, late, joins = Histogram(), Histogram(), Histogram()
        for number, reports in self._fresh.items():
            for report in reports:
                acks.merge(Histogram.load(report["acks"]))
                late.merge(Histogram.load(report["late"]))
                joins.merge(Histogram.load(report["joins"]))
            wall_s = max(sum(r["wall_s"] for r in reports), 1e-3)
            self._own_share[number] = sum(r["cpu_s"] for r in reports) / wall_s
            if reports[-1]["final"]:
                del self._own_share[number]
        row.own_cpu, row.busiest_cpu = sum(self._own_share.values()), max(self._own_share.values(), default=0.0)
        row.packets = float(sum(r["counts"]["packets"] for r in self._newest.values()))
        row.joins = joins.count
        row.ack_p50_ms, row.ack_p99_ms = acks.percentile(50) * 1e3, acks.percentile(99) * 1e3
        row.join_p99_s = joins.percentile(99)
        row.late_p99_ms = late.percentile(99) * 1e3 if late.count else 0.0

    def _house(self, row: Row, now_s: float, cpu_s: dict[str, float], machine_s: float) -> None:
        both = [name for name in cpu_s if name in self._cpu_s and cpu_s[name] >= self._cpu_s[name]]
        if both:
            row.house_cpu = sum(cpu_s[n] - self._cpu_s[n] for n in both) / max(now_s - self._cpu_at_s, 1e-3)
            busy = (machine_s - self._machine_s) / max(now_s - self._cpu_at_s, 1e-3)
            row.other_cpu = max(0.0, busy - row.house_cpu - row.own_cpu)
        self._cpu_s, self._cpu_at_s, self._machine_s = cpu_s, now_s, machine_s

    def _hear(self, row: Row, now_s: float, ear: Ear) -> None:
        heard = ear.heard
        fresh = [seconds for at, seconds in heard.latencies if at - self.start_s > now_s - 6.0]
        if fresh:
            row.latency_p50_ms, row.latency_p99_ms = (float(np.percentile(fresh, q)) * 1e3 for q in (50, 99))
        if heard.house:
            _, row.house_arousal, _, row.counted = heard.house[-1]
        if self._newest and heard.sections:
            expected = np.sum([r["sections"] for r in self._newest.values()], axis=0).astype(np.float64)
            fresh_s = now_s + self.start_s - SECTION_FRESH_S
            found = np.array([v[2] if v[0] >= fresh_s else 0 for v in heard.sections.values()], np.float64)
            self.coverage.append((now_s, expected, found))

    # -- figures -----------------------------------------------------------------------------------------------

    def total(self, name: str) -> int:
        """A count over all generators."""
        return sum(int(r["counts"][name]) for r in self._newest.values())

    def errors(self) -> dict[str, int]:
        """Refusals, cuts and failed connections by name."""
        made: dict[str, int] = {}
        for report in self._newest.values():
            for name, count in report["counts"]["errors"].items():
                made[name] = made.get(name, 0) + int(count)
        return made

    def vandals(self) -> dict[str, int]:
        """What the vandals counted."""
        return next((r["vandals"] for r in self._newest.values() if r["vandals"]), {})

    def last(self, name: str) -> int:
        """A momentary number of the newest reports, over all generators."""
        return sum(int(r[name]) for r in self._newest.values())

    def memory_a_phone_bytes(self) -> float:
        """Peak resident memory of the generators, less what each took before it had phones, for each phone there was.

        A bank of listeners is in it, so that with few phones it is mostly that."""
        grown = sum(int(r["memory_bytes"]) - int(r["empty_bytes"]) for r in self._newest.values())
        return grown / max(1, *(row.wanted for row in self.rows)) if self.rows else float("nan")

    def own_us_a_packet(self) -> float:
        """CPU microseconds of the generators for each packet, acknowledgements and everything included."""
        sent = self.total("packets")
        return self._own_cpu_s * 1e6 / sent if sent else float("nan")

    def gained(self, name: str) -> float:
        """How much one of the house's own counters rose during the run; NaN when it was not there."""
        if name not in self.metrics:
            return float("nan")
        return self.metrics[name] - self.first_metrics.get(name, 0.0)

    def recoveries_s(self, disruptions: Sequence[tuple[float, float]]) -> list[float]:
        """For each disruption (begin, end): seconds from its end until all but 2 % are served again; inf if never."""
        made = []
        for begin_s, end_s in disruptions:
            after = [row for row in self.rows if row.t_s >= max(end_s, begin_s + 1.0)]
            good = next((r.t_s for r in after if r.followed >= FOLLOWED_SHARE * max(r.wanted, 1)), float("inf"))
            made.append(max(good - end_s, 0.0))
        return made

    def others(self) -> str:
        """A sentence when other programs of this machine took a good part of it; else nothing."""
        shares = [row.other_cpu for row in self.rows if np.isfinite(row.other_cpu)]
        mean = float(np.mean(shares)) if shares else 0.0
        if mean < OTHERS_SHARE:
            return ""
        return f"other programs on this machine used {mean:.1f} cores meanwhile; close them and test again"

    def void_reasons(self) -> list[str]:
        """Why this run says more about the generator than about the house; empty for a sound run."""
        made = list(self.problems)
        late_s = self.late.percentile(99)
        if self.late.count and late_s > GENERATOR_LATE_S:
            made.append(f"the generator was {late_s * 1e3:.0f} ms late at its 99th percentile (limit 50 ms)")
        busiest = np.array([row.busiest_cpu for row in self.rows])
        if len(busiest) >= 5 and float(np.convolve(busiest, np.full(5, 0.2), "valid").max()) > GENERATOR_CPU_SHARE:
            made.append("a generator used more than 90 % of a core for 5 s; give it --workers or another machine")
        if self.total("own_faults"):
            made.append(f"{self.total('own_faults')} connections failed for want of our own ports, files or memory")
        if not self.late.count:
            made.append("the generator sent nothing")
        return made

"""Judging a run: figures against objectives, the exit code, and how much more would fit. Pure."""

from __future__ import annotations

import dataclasses
import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loadtest.scenario import Objectives

Floats = NDArray[np.float64]

FULL_CORE_SHARE = 0.8  # plan for four fifths of a core: the rest is for what the test did not have
VAGUE = 3.0  # an interval this many times as wide as its lower end is no estimate
BOOTSTRAPS = 400
MIN_POINTS = 8  # seconds of steady load that a headroom is computed from


class Outcome(enum.IntEnum):
    """The run's exit code."""

    GREEN = 0
    RED = 1
    VOID = 3


AT_LEAST = frozenset({"coverage"})  # every other objective is an upper limit
UNITS = {"_s": "s", "_ms": "ms", "coverage": "", "_a_second": "a second"}
SAYS = {
    "join_p99_s": "99 of 100 phones were in within",
    "connect_failures": "share of connection attempts that failed",
    "ack_p99_ms": "99 of 100 packets were acknowledged within",
    "latency_p50_ms": "half of the packets reached the show engine within",
    "latency_p99_ms": "99 of 100 packets reached the show engine within",
    "unacknowledged": "share of packets that were never acknowledged",
    "acknowledged_lost": "acknowledged packets that the engine never took",
    "duplicates_share": "share of packets sent more than once",
    "coverage": "least share of a section's phones that its published value counts",
    "house_error": "mean distance of the house's arousal from the truth",
    "false_rise": "rise of the house's arousal where nobody felt anything",
    "recovery_s": "everybody was served again after",
    "silence_s": "longest time without a snapshot",
    "step_a_second": "largest change of the house's arousal in a second",
}


@dataclass(frozen=True, slots=True)
class Judgement:
    """One objective: its ``limit``, the ``figure`` (None: nothing was measured, which never passes), and whether it
    holds."""

    name: str
    says: str
    figure: float | None
    limit: float
    passed: bool

    @property
    def sentence(self) -> str:
        """For a person: what was found, what was allowed."""
        sign = "at least" if self.name in AT_LEAST else "at most"
        found = "nothing was measured" if self.figure is None else shown(self.name, self.figure)
        return f"{self.says}: {found} ({sign} {shown(self.name, self.limit)})"


def shown(name: str, value: float) -> str:
    """A figure with its unit."""
    unit = "ms" if name.endswith("_ms") else "s" if name.endswith("_s") else ""
    text = "never" if math.isinf(value) else f"{value:,.0f}" if value >= 100 else f"{value:.4g}"
    return f"{text} {unit}".strip()


def judge(objectives: Objectives, figures: Mapping[str, float | None]) -> list[Judgement]:
    """Every objective that the scenario sets, in its order."""
    made = []
    for f in dataclasses.fields(objectives):
        limit = getattr(objectives, f.name)
        if limit is None:
            continue
        figure = figures.get(f.name)
        if figure is not None and math.isnan(figure):
            figure = None
        good = figure is not None and (figure >= limit if f.name in AT_LEAST else figure <= limit)
        made.append(Judgement(f.name, SAYS[f.name], figure, limit, good))
    return made


def outcome(judgements: Sequence[Judgement], void: Sequence[str]) -> Outcome:
    """Void where the generator was the bottleneck, whatever the figures; else red where one objective does not hold."""
    if void:
        return Outcome.VOID
    return Outcome.GREEN if all(j.passed for j in judgements) else Outcome.RED


@dataclass(frozen=True, slots=True)
class Headroom:
    """At ``phones`` the house used ``share`` of a core; about ``fits`` would use FULL_CORE_SHARE, with a 95 % interval.

    ``a_phone`` is the share of a core each further phone costs.
    """

    phones: int
    share: float
    fits: float
    low: float
    high: float
    a_phone: float

    @property
    def sentence(self) -> str:
        """For the production manager."""
        used = f"at {self.phones:,} phones the house used {self.share:.0%} of one core: "
        if self.high > VAGUE * self.low:
            return used + f"at least {_round(self.low):,} would fit; so light a load tells no more"
        return used + (
            f"about {_round(self.fits):,} would fit (95 % interval {_round(self.low):,} to {_round(self.high):,}), "
            "if nothing but the CPU sets the limit"
        )


def headroom(phones: Floats, share: Floats, *, seed: int = 0) -> Headroom | None:
    """How many phones would use four fifths of a core, from seconds of (phones served, share of a core used).

    A straight line through the seconds (cost of an empty house + cost a phone), its 95 % interval by resampling them
    in blocks of 4 s, because neighbouring seconds are alike. Where the number of phones hardly varied, the line goes
    through the origin, which is the careful side: an empty house costs something.

    None with fewer than MIN_POINTS usable seconds.
    """
    good = np.isfinite(share) & (phones > 0) & (share > 0)
    phones, share = phones[good], share[good]
    if len(phones) < MIN_POINTS:
        return None
    sloped = float(phones.std()) > 0.15 * float(phones.mean())
    fits, a_phone = _capacity(phones, share, sloped=sloped)
    dice = np.random.default_rng(seed)
    block, made = 4, []
    for _ in range(BOOTSTRAPS):
        starts = dice.integers(0, max(1, len(phones) - block + 1), -(-len(phones) // block))
        take = (starts[:, None] + np.arange(block)).ravel()[: len(phones)]
        take = np.minimum(take, len(phones) - 1)
        made.append(_capacity(phones[take], share[take], sloped=sloped)[0])
    low, high = np.percentile(np.array(made), [2.5, 97.5])
    top = phones >= 0.9 * phones.max()
    return Headroom(int(phones.max()), float(np.mean(share[top])), fits, float(low), float(high), a_phone)


def _capacity(phones: Floats, share: Floats, *, sloped: bool) -> tuple[float, float]:
    if sloped:
        x = phones - phones.mean()
        slope = float((x * share).sum() / max(float((x * x).sum()), 1e-12))
        base = float(share.mean()) - slope * float(phones.mean())
        if slope > 0 and 0 <= base < FULL_CORE_SHARE:
            return (FULL_CORE_SHARE - base) / slope, slope
    slope = float((phones * share).sum() / (phones * phones).sum())
    return FULL_CORE_SHARE / slope, slope


def _round(value: float) -> int:
    """Two meaningful digits: more would be pretence."""
    if not math.isfinite(value) or value <= 0:
        return 0
    return round_to(value, 2)


def round_to(value: float, digits: int) -> int:
    """A whole number > 0 with so many meaningful digits."""
    unit = 10 ** max(0, math.floor(math.log10(value)) + 1 - digits)
    return int(round(value / unit) * unit)

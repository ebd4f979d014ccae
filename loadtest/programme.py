"""A programme of the evening: its parts, its musical moments, what happens in the hall, and the common drive. Pure.

The common drive d(t) in [0, 1] is what every simulated listener feels, each with their own delay and size. Titles are
invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TABLE_HZ = 20.0  # drive changes over a second or more; 50 ms steps keep the integral's error below 1e-3 s
TEMPERATURE_LAG_S = 15.0  # finger temperature lags vasoconstriction by about 15 s (Kistler et al. 1998)
HAPPENINGS = ("applause", "dancing", "light", "bass")


@dataclass(frozen=True, slots=True)
class Moment:
    """One musical moment: from ``onset_s`` the drive rises over ``rise_s``, holds, and falls (raised cosines)."""

    onset_s: float
    rise_s: float
    hold_s: float
    fall_s: float
    strength: float
    title: str = ""

    @property
    def end_s(self) -> float:
        return self.onset_s + self.rise_s + self.hold_s + self.fall_s

    def shape(self, t_s: Floats) -> Floats:
        """The moment's share of the drive at times ``t_s`` (any shape), in [0, strength]."""
        up = np.clip((t_s - self.onset_s) / self.rise_s, 0.0, 1.0)
        down = np.clip((self.end_s - t_s) / self.fall_s, 0.0, 1.0)
        made: Floats = self.strength * np.minimum(_ease(up), _ease(down))
        return made


@dataclass(frozen=True, slots=True)
class Happening:
    """Something locked to the show that is no feeling: one of HAPPENINGS, between two times, with a strength.

    ``rate_hz`` is the beat of dancing and bass, or of the light's changes.
    """

    kind: str
    start_s: float
    stop_s: float
    strength: float = 1.0
    rate_hz: float = 2.0

    def __post_init__(self) -> None:
        if self.kind not in HAPPENINGS:
            raise ValueError(f"happening: found {self.kind!r}, allowed {', '.join(HAPPENINGS)}")

    def covers(self, t_s: Floats) -> NDArray[np.bool_]:
        made: NDArray[np.bool_] = (t_s >= self.start_s) & (t_s < self.stop_s)
        return made


@dataclass(frozen=True, slots=True)
class EveningPart:
    """From ``start_s`` the evening is in this part (a name of relay.parts); ``title`` is what people read."""

    start_s: float
    part: str
    title: str


@dataclass(frozen=True)
class Programme:
    """The evening: ``length_s`` long, parts in order of time, moments, happenings.

    The drive's tables are made by ``prepare`` or at the first look: a fraction of a second for six hours, which a
    house that already runs must not wait for.
    """

    title: str
    length_s: float
    parts: tuple[EveningPart, ...]
    moments: tuple[Moment, ...]
    happenings: tuple[Happening, ...] = field(default=())

    def drive(self, t_s: Floats) -> Floats:
        """d(t) in [0, 1] at times of any shape; 0 before the beginning and after the end."""
        return self._look_up(t_s, self._tables[0])

    def drive_integral(self, t_s: Floats) -> Floats:
        """The integral of d from 0 to t, in seconds (a pulse's phase is the integral of its rate)."""
        return self._look_up(t_s, self._tables[1])

    def drive_lagged(self, t_s: Floats) -> Floats:
        """d behind a first-order lag of TEMPERATURE_LAG_S."""
        return self._look_up(t_s, self._tables[2])

    def prepare(self) -> None:
        """Make the drive's tables now."""
        _ = self._tables

    def part_at(self, t_s: float) -> EveningPart:
        """The part the evening is in at ``t_s``."""
        return [p for p in self.parts if p.start_s <= max(t_s, self.parts[0].start_s)][-1]

    def with_happenings(self, *happenings: Happening) -> Programme:
        """The same evening in which these also happen."""
        return replace(self, happenings=self.happenings + happenings)

    def _look_up(self, t_s: Floats, table: Floats) -> Floats:
        made: Floats = np.interp(t_s, self._tables[3], table)
        return made

    @cached_property
    def _tables(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Drive, its integral, its lagged form, and their times; a minute longer than the programme."""
        time_s = np.arange(round((self.length_s + 60.0) * TABLE_HZ) + 1) / TABLE_HZ
        drive = np.zeros_like(time_s)
        for moment in self.moments:  # only where it is: an evening of six hours has some hundreds
            at = slice(max(0, int(moment.onset_s * TABLE_HZ)), int(moment.end_s * TABLE_HZ) + 2)
            drive[at] += moment.shape(time_s[at])
        drive = np.clip(drive, 0.0, 1.0)
        integral = np.concatenate(([0.0], np.cumsum((drive[1:] + drive[:-1]) / (2 * TABLE_HZ))))
        decay = float(np.exp(-1.0 / (TABLE_HZ * TEMPERATURE_LAG_S)))
        lagged, value = np.empty_like(drive), 0.0
        for j, d in enumerate(drive.tolist()):
            value = d + (value - d) * decay
            lagged[j] = value
        return drive, integral, lagged, time_s


def _ease(x: Floats) -> Floats:
    made: Floats = (1.0 - np.cos(np.pi * x)) / 2
    return made


DEMO_REST_S, DEMO_NEUTRAL_S, DEMO_MOMENT_S, DEMO_CALM_S = 20.0, 8.0, 10.0, 22.0
DEMO_TITLES = ("The swell", "Brass from the balcony", "Held breath", "The long crescendo")  # invented


def demo(seconds: float = 60.0, *, titles: Sequence[str] = DEMO_TITLES) -> Programme:
    """The demo's programme: 0-20 s rest, 20-28 neutral, 28-38 a moment, 38-60 calm.

    Longer demos repeat neutral, moment and calm with the next title; shorter ones are the same, scaled.
    """
    scale = min(1.0, seconds / 60.0)
    cycle_s = (DEMO_NEUTRAL_S + DEMO_MOMENT_S + DEMO_CALM_S) * scale
    rest_s = DEMO_REST_S * scale
    parts = [EveningPart(0.0, "rest", "Resting baseline"), EveningPart(rest_s, "piece", "Before the storm")]
    moments: list[Moment] = []
    start_s = rest_s
    while start_s + (DEMO_NEUTRAL_S + DEMO_MOMENT_S) * scale <= seconds + 1e-9:
        title = titles[len(moments) % len(titles)]
        moments.append(_demo_moment(start_s + DEMO_NEUTRAL_S * scale, scale, title))
        start_s += cycle_s
    return Programme("Before the storm", seconds, tuple(parts), tuple(moments))


def _demo_moment(onset_s: float, scale: float, title: str) -> Moment:
    return Moment(onset_s, 1.5 * scale, (DEMO_MOMENT_S - 3.5) * scale, 2.0 * scale, 1.0, title)


def still(seconds: float) -> Programme:
    """An evening in which nothing is felt in common: only rest and each listener's own wander."""
    return Programme("Silence", seconds, (EveningPart(0.0, "rest", "Rest"),), ())

"""The frozen result of one tick: a part (what one owner's shards say) and the published snapshot of the house. Pure.

Parts merge exactly because what crosses between owners is integers (contract 9); the arithmetic is in
``aggregator.house`` (histograms and estimates) and ``aggregator.merger`` (merge, glides, slew, publication).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

BINS = 1024  # equal bins of s = tanh(z/4) over [-1, 1]
SUM_UNIT = 32767  # integer sum is of weight * round(32767 * s)
WEIGHT_UNIT = 255  # integer weight is round(confidence * 255)


class SeatState(enum.IntEnum):
    """Contract 11's states, by their numbers on the wire."""

    ABSENT = 0
    SETTLING = 1
    RESTING = 2
    FOLLOWING = 3
    HELD = 4
    FADING = 5
    LOST = 6
    NO_CONTACT = 7
    MUTED = 8


STATES = len(SeatState)

#: By channel: (listeners left out of it, listeners whose sensor has it); see aggregator.engine_left_out.
LeftOut = dict[str, tuple[int, int]]

#: By performer's name float32 (3, seats): each seat's largest lagged correlation, [-1, 1], 0 unknown; its lag after the
#: performer, s; the same with the house's response removed. Without significance: see aggregator.listener_linkage.
Links = dict[str, NDArray[np.float32]]


@dataclass(frozen=True, slots=True)
class SynchronySums:
    """Integer sums for masked synchrony over one window, a feature a row: shape ``(features, samples)``.

    ``z`` = sum of z, ``zz`` = sum of z squared, both in units of 2**-16 (rounded per listener before summing);
    ``valid`` = number of listeners. ``end_ms`` is the window's end in house time.
    """

    end_ms: int
    z: NDArray[np.int64]
    zz: NDArray[np.int64]
    valid: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PerformerValue:
    """One performer at one tick. ``channels`` name -> (value 0..1, confidence); ``events`` since the last tick:
    (name, interval or size, age in seconds, count). ``number``: of the performer's card, the same whoever else comes
    or goes; 0 where it is not known."""

    name: str
    arousal: float
    confidence: float
    state: int
    channels: dict[str, tuple[float, float]] = field(default_factory=dict)
    events: tuple[tuple[str, float, float, int], ...] = ()
    linkage: tuple[float, float] = (0.0, 0.0)
    number: int = 0


@dataclass(frozen=True, slots=True)
class PartSnapshot:
    """What one owner's shards say at tick ``k``; listeners of role ``audience`` only, one a seat.

    Seat arrays (n,), ascending seat number: ``seat`` int64 (1-based), ``own`` float64 the listener's own arousal
    (finite, [0, 1]), ``confidence`` float64 [0, 1], ``state`` uint8, ``fade`` float64 [0, 1]: how far the published
    value has glided to the fallback (0 own, 1 house). Section arrays: ``weights`` int64 (sections, BINS), ``sums``
    int64 (sections,), ``counted`` int64 (sections,), ``states`` int64 (sections, STATES). ``blank_*`` a
    histogram, house only, of what sensors without a finger claim (the negative control): ``2 * claim - 1``, each of
    weight 255. ``left_out`` by channel, ``links`` by performer. ``counters``: monotone counts.
    """

    k: int
    cut_ms: int
    epoch: int
    shards: tuple[int, ...]
    part: str
    seat: NDArray[np.int64]
    own: NDArray[np.float64]
    confidence: NDArray[np.float64]
    state: NDArray[np.uint8]
    fade: NDArray[np.float64]
    weights: NDArray[np.int64]
    sums: NDArray[np.int64]
    counted: NDArray[np.int64]
    states: NDArray[np.int64]
    blank_weights: NDArray[np.int64]
    blank_sum: int = 0
    synchrony: SynchronySums | None = None
    blank_synchrony: SynchronySums | None = None
    performers: tuple[PerformerValue, ...] = ()
    left_out: LeftOut = field(default_factory=dict)
    links: Links = field(default_factory=dict)
    counters: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Estimate:
    """Arousal of a section or the house: value, confidence and count as published; percentiles; the 95 % interval
    of the value; change per second; synchrony and its confidence (house only, else 0)."""

    arousal: float
    confidence: float
    counted: int
    p10: float
    p50: float
    p90: float
    low: float
    high: float
    slope: float = 0.0
    synchrony: float = 0.0
    synchrony_confidence: float = 0.0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What is published at tick ``k``: to the show engine, the monitor page and the recording alike.

    Seat arrays (seats of the plan,): index i is seat i + 1; ``arousal`` float32 finite in [0, 1], ``confidence``
    float32, ``state`` uint8 (declined, withdrawn and empty are all ABSENT). ``missing`` lists shards left out.
    ``left_out`` by channel, ``links`` by performer. ``notices`` are sentences for the page, worst first.
    """

    k: int
    sequence: int
    epoch: int
    cut_ms: int
    part: str
    arousal: NDArray[np.float32]
    confidence: NDArray[np.float32]
    state: NDArray[np.uint8]
    house: Estimate
    sections: tuple[tuple[str, Estimate], ...]
    states: NDArray[np.int64]
    performers: tuple[PerformerValue, ...] = ()
    missing: tuple[int, ...] = ()
    left_out: LeftOut = field(default_factory=dict)
    links: Links = field(default_factory=dict)
    notices: tuple[str, ...] = ()
    counters: dict[str, int] = field(default_factory=dict)

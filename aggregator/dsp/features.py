"""The feature table: what is taken from each channel, in which unit it is compared with rest, and how it counts. Pure.

A feature is one number a listener from one channel, brought onto a scale where people who differ tenfold in level
become comparable (mostly a logarithm). ``baseline`` compares it with the listener's own rest, ``arousal`` weighs it.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Floats, Rows

# Trust in a channel without samples starts to fall (packets come 2-5 a second, temperature once a second) and is gone.
# The same for all channels: when a phone falls silent they fade together, so the fused value stays where it was.
FRESH_S, GONE_S = 3.0, 10.0


class Transform(enum.Enum):
    """How a feature's unit becomes the unit it is compared in."""

    LOG = "log(x), x above unit_floor; at or below it unknown"
    LOG1P = "log(1 + x / unit_floor): zero stays zero, x = unit_floor gives 0.69"
    IDENTITY = "x"


@dataclass(frozen=True, slots=True)
class Feature:
    """One row of the table.

    ``weight``: what it counts in arousal, signed: negative falls as arousal rises; 0 is published, never fused.
    ``unit_floor``: smallest known value (LOG) or the unit (LOG1P), in the feature's own unit. ``scale_floor``:
    smallest robust deviation at rest, transformed units. ``prior_scale``: what stands for the house until its own is
    known; NaN where nobody can know it (then nothing is shrunk towards it). ``relative_floor``: the same floor as a
    share of the resting median, for units that nobody knows. ``age_s``: usual age of the body event when the feature
    shows it, decision included, tick excluded. ``ease_s``: time constant that evens out a bursty feature, transformed
    units, 0 for none.
    """

    name: str
    channel: str
    transform: Transform
    weight: float
    unit_floor: float
    scale_floor: float
    prior_scale: float
    age_s: float
    reason: str
    source: str
    relative_floor: float = 0.0
    ease_s: float = 0.0


class FeatureTable:
    """Features in a fixed order, with their constants as arrays ``(F,)`` (read-only)."""

    def __init__(self, features: tuple[Feature, ...]) -> None:
        """Raises ValueError: two features of one name, none, or a channel's features apart."""
        self.features = features
        self.names = tuple(f.name for f in features)
        if not features or len(set(self.names)) != len(features):
            raise ValueError(f"feature names must be distinct and at least one, got {self.names}")
        self.size = len(features)
        self.weight = self._array("weight")
        self.size_of_weight = np.abs(self.weight)
        self.sign = np.sign(self.weight)
        self.scale_floor = self._array("scale_floor")
        self.prior_scale = self._array("prior_scale")
        self.relative_floor = self._array("relative_floor")
        self.ease_s = self._array("ease_s")
        self.eased = tuple(i for i, f in enumerate(features) if f.ease_s)
        unit = self._array("unit_floor")
        log1p = np.array([f.transform is Transform.LOG1P for f in features])
        self.identity = tuple(i for i, f in enumerate(features) if f.transform is Transform.IDENTITY)
        self.is_log = np.array([f.transform is not Transform.IDENTITY for f in features])
        self.offset = np.where(log1p, unit, 0.0)
        self.shift = np.log(np.where(log1p, unit, 1.0))
        # Known is what lies above: for log1p zero itself is.
        self.lowest = np.where(log1p, np.nextafter(0.0, -1.0), np.where(self.is_log, unit, -np.inf))
        if [f.channel for f in features] != sorted((f.channel for f in features), key=self._first):
            raise ValueError(f"features of one channel must stand together, got {self.names}")
        self.channels = tuple(dict.fromkeys(f.channel for f in features))

    def _first(self, channel: str) -> int:
        """Where a channel first stands."""
        return [f.channel for f in self.features].index(channel)

    def _array(self, name: str) -> Floats:
        return np.array([getattr(f, name) for f in self.features], np.float64)

    @cached_property
    def of_channel(self) -> dict[str, tuple[int, ...]]:
        """Feature numbers by channel."""
        return {c: tuple(i for i, f in enumerate(self.features) if f.channel == c) for c in self.channels}


# Scales are robust deviations over two minutes of rest in transformed units (0.05 of a logarithm is 5 %). Floors stop
# an unusually still rest from turning small changes into large ones; higher ones would leave calm people unequalised
# (spread of peak response 0.43 with these, 0.47 with floors a third higher). R read, D derived, M from memory, P common
# practice, as in METHODS.md.
PULSE_RATE = Feature(
    "pulse_rate", "pulse", Transform.LOG, +0.5, 20.0, 0.03, 0.05, 4.0,
    "rises with excitement, but can fall with arousing music: half of skin drive's weight, never the majority",
    "PMC4623197 (R); 3-5 % over two minutes at rest (P)",
)  # fmt: skip
PULSE_AMPLITUDE = Feature(
    "pulse_amplitude", "pulse", Transform.LOG, -0.5, 1e-9, 0.12, 0.25, 2.0,
    "vessels of the finger tighten with sympathetic drive, so the pulse wave shrinks",
    "Kistler et al. 1998 for vasoconstriction (R); 12-25 % at rest (P)",
)  # fmt: skip
SKIN_LEVEL = Feature(
    "skin_level", "skin", Transform.LOG, +0.5, 0.05, 0.045, 0.1, 7.0,
    "tonic sweat: slow and steady; people differ tenfold, hence the logarithm",
    "Dawson, Schell & Filion, level 2-20 uS (M); 4.5-10 % over two minutes at rest (P)",
)  # fmt: skip
SKIN_DRIVE = Feature(
    "skin_drive", "skin", Transform.LOG1P, +1.0, 0.1, 0.4, 0.6, 1.0,
    "phasic sweat leads: the fastest and most specific sign; bursts of under a second, hence eased over 1.5 s; zero "
    "most of the time at rest, so the floor is wide: the smallest counted response a second is one deviation",
    "Boucsein et al. 2012, 0.05 uS (R); unit, easing and scale (P)", ease_s=1.5,
)  # fmt: skip
SKIN_RESPONSES = Feature(
    "skin_responses", "skin", Transform.LOG1P, +0.2, 1.0, 0.5, 0.7, 30.0,
    "responses a minute: a count is blind to electrode gain; little weight, because a minute is counted: it trails",
    "1-3 a minute at rest, over 20 when aroused: Dawson, Schell & Filion (M)",
)  # fmt: skip
TEMPERATURE = Feature(
    "temperature", "temperature", Transform.IDENTITY, -0.15, 0.0, 0.12, 0.25, 15.0,
    "falls under stress about 15 s late, unrelated to sweat and pulse rate: slow weight only",
    "Kistler et al. 1998 (R); Boudewyns 1976 (R); 0.12-0.25 C over two minutes at rest (P)",
)  # fmt: skip
RMSSD = Feature(
    "rmssd", "pulse", Transform.LOG, -0.1, 1.0, 0.15, 0.3, 30.0,
    "vagal withdrawal; from under two minutes not comparable with norms: almost no weight, performers only",
    "Shaffer & Ginsberg 2017 (R); 30 % at rest (P)",
)  # fmt: skip
BREATH_RATE = Feature(
    "breath_rate", "breath", Transform.LOG, +0.3, 2.0, 0.05, 0.15, 4.0,
    "quicker breath with effort and excitement; a performer plays with it on purpose: little weight",
    "common practice (P)",
)  # fmt: skip
BREATH_DEPTH = Feature(
    "breath_depth", "breath", Transform.LOG, 0.0, 1e-9, 0.1, 0.3, 4.0,
    "published, not fused: depth rises with calm and with effort alike",
    "common practice (P)",
)  # fmt: skip
MUSCLE = Feature(
    "muscle", "muscle", Transform.LOG, 0.0, 1e-9, 0.15, 0.4, 0.3,
    "published, not fused: a muscle tells what is played, not what is felt",
    "common practice (P)",
)  # fmt: skip


def scalar_feature(name: str) -> Feature:
    """A named scalar channel (a band power and the like): published against its own rest, never fused.

    Its unit is unknown: no house's scale exists to shrink towards, and the floor is 2 % of its resting median.
    """
    return Feature(
        name, name, Transform.IDENTITY, 0.0, 0.0, 1e-12, np.nan, 1.0,
        "a maker's own number: meaning unknown, so it is shown and never counts", "common practice (P)", 0.02,
    )  # fmt: skip


AUDIENCE = FeatureTable((PULSE_RATE, PULSE_AMPLITUDE, SKIN_LEVEL, SKIN_DRIVE, SKIN_RESPONSES, TEMPERATURE))
BODY = (PULSE_RATE, PULSE_AMPLITUDE, RMSSD, *AUDIENCE.features[2:], BREATH_RATE, BREATH_DEPTH, MUSCLE)


def performer_table(scalars: tuple[str, ...] = ()) -> FeatureTable:
    """The audience's features, variability, breath, muscle, and one a named scalar channel."""
    return FeatureTable((*BODY, *(scalar_feature(name) for name in scalars)))


NUMBER = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Reading:
    """One feature of every listener: ``value`` (listeners,) in the feature's own unit, NaN unknown; ``trust`` arrays
    (listeners,) in [0, 1] or bool whose product is the quality (NaN counts as 0)."""

    value: Floats
    trust: tuple[NUMBER, ...] = ()


@dataclass(frozen=True, slots=True)
class FusionInputs:
    """What the kernels know at one tick, by name, each array over all listeners.

    ``readings``: by feature name; a name that is missing is a channel that nobody has. ``age_s``: by channel, seconds
    since its last sample arrived, inf when never; a channel that is missing is taken as fresh. ``movement``: [0, 1],
    NaN where no motion is sent, or None when nobody sends it.
    """

    readings: Mapping[str, Reading]
    age_s: Mapping[str, Floats]
    movement: Floats | None = None


def gather(table: FeatureTable, inputs: FusionInputs, rows: Rows) -> tuple[Floats, Floats]:
    """Features of some listeners in transformed units, with their quality.

    value = transform(reading); quality = product of the reading's trust, times freshness
    = clip((GONE_S - age) / (GONE_S - FRESH_S), 0, 1), and 0 where the value is unknown or outside its domain.

    Args:
        table: F features. inputs: arrays (listeners,). rows: intp (m,).
    Returns:
        values float64 (m, F), NaN unknown; quality float64 (m, F) in [0, 1], never NaN; both one feature after another
        in memory (Fortran order), as everything that is computed from them.

    Does not compare with rest, smooth or reject outliers. Source: definition.
    """
    raw = np.empty((table.size, len(rows)))  # a feature a line: whole lines are read and written below
    quality = np.empty_like(raw)
    products: dict[tuple[int, ...], NUMBER] = {}
    for f, name in enumerate(table.names):
        reading = inputs.readings.get(name)
        if reading is None:
            raw[f], quality[f] = np.nan, 0.0
        else:
            raw[f] = reading.value.take(rows)
            quality[f] = _product(reading.trust, rows, products)
    unknown = ~((raw > table.lowest[:, None]) & (raw < np.inf))
    values = raw + table.offset[:, None]
    np.copyto(values, 1.0, where=unknown | ~table.is_log[:, None])
    np.log(values, out=values)
    values -= table.shift[:, None]
    for f in table.identity:
        values[f] = raw[f]
    np.copyto(values, np.nan, where=unknown)
    np.fmin(np.fmax(quality, 0.0, out=quality), 1.0, out=quality)
    _fade(table, inputs.age_s, rows, quality)
    np.copyto(quality, 0.0, where=unknown)
    return values.T, quality.T


def _product(factors: tuple[NUMBER, ...], rows: Rows, products: dict[tuple[int, ...], NUMBER]) -> NUMBER | float:
    """Product of the factors for some rows, in their order; ``products``: those already made, by the factors' ids."""
    made: NUMBER | float = 1.0
    for n in range(1, len(factors) + 1):
        key = tuple(id(factor) for factor in factors[:n])
        if key not in products:
            products[key] = made * factors[n - 1].take(rows)
        made = products[key]
    return made


def _fade(table: FeatureTable, age_s: Mapping[str, Floats], rows: Rows, quality: Floats) -> None:
    """Multiply quality (F, m) by freshness: 1 until FRESH_S, 0 from GONE_S on; NaN ages count as never."""
    for channel, numbers in table.of_channel.items():
        if channel in age_s:
            fade = (GONE_S - age_s[channel].take(rows)) * (1.0 / (GONE_S - FRESH_S))
            np.fmin(np.fmax(fade, 0.0, out=fade), 1.0, out=fade)
            quality[numbers[0] : numbers[-1] + 1] *= fade


NON_RESPONDER_TRUST = 0.3  # about 10 % show no responses (Dawson, Schell & Filion, R): silence then says little


def audience_inputs(
    *,
    rate_bpm: Floats,
    rate_confidence: Floats,
    pulse_quality: Floats,
    amplitude: Floats,
    pulse_contact: Bools,
    pulse_age_s: Floats,
    level_us: Floats,
    drive: Floats,
    responses_per_min: Floats,
    skin_quality: Floats,
    skin_contact: Bools,
    responder: NUMBER,
    skin_age_s: Floats,
    celsius: Floats,
    temperature_weight: Floats,
    temperature_quality: Floats,
    temperature_age_s: Floats,
    movement: Floats | None = None,
    more: Mapping[str, Reading] | None = None,
    more_age_s: Mapping[str, Floats] | None = None,
) -> FusionInputs:
    """The kernels' columns under the table's names; all arrays (listeners,), units as in the arguments' names.

    ``responder``: bool or [0, 1]; 0 lowers trust in drive and responses to NON_RESPONDER_TRUST, so that a listener
    who never shows responses is not read as calm. ``more``: further readings (a performer's). Amplitude and level
    enter trust nowhere: a faint signal with clean beats counts as much as a strong one. An amplitude is one only where
    beats are: what moves the finger makes waves without them.
    """
    reacts = NON_RESPONDER_TRUST + (1.0 - NON_RESPONDER_TRUST) * np.asarray(responder, np.float64)
    readings = {
        "pulse_rate": Reading(rate_bpm, (rate_confidence, pulse_contact)),
        "pulse_amplitude": Reading(amplitude, (pulse_quality, rate_confidence, pulse_contact)),
        "skin_level": Reading(level_us, (skin_quality, skin_contact)),
        "skin_drive": Reading(drive, (skin_quality, skin_contact, reacts)),
        "skin_responses": Reading(responses_per_min, (skin_quality, skin_contact, reacts)),
        "temperature": Reading(celsius, (temperature_quality, temperature_weight)),
        **(more or {}),
    }
    ages = {"pulse": pulse_age_s, "skin": skin_age_s, "temperature": temperature_age_s, **(more_age_s or {})}
    return FusionInputs(readings, ages, movement)

"""Who the simulated listeners are: constants drawn per listener, each from (seed, listener) alone. Pure.

Randomness is a hash of (seed, listener, purpose, index), so any value of any listener at any time can be computed
alone, in any order, and is the same among thousands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Keys = NDArray[np.uint64]

ROLES = ("audience", "performer", "blank")
FAULTS = ("none", "noise", "stuck", "loose")  # a bad sensor is one of the last three


def mix(x: Keys) -> Keys:
    """The finaliser of the splitmix64 generator (Steele, Lea & Flood 2014): 64 well-mixed bits of 64."""
    with np.errstate(over="ignore"):
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    made: Keys = x ^ (x >> np.uint64(31))
    return made


def keys(seed: int, listeners: NDArray[np.int64]) -> Keys:
    """One 64-bit key a listener."""
    return mix(mix(np.asarray(listeners, np.uint64) + np.uint64(0x9E3779B97F4A7C15)) ^ np.uint64(seed & (2**64 - 1)))


def uniform(key: Keys, purpose: int, index: NDArray[np.int64] | int = 0) -> Floats:
    """Uniform in [0, 1) for each key (broadcast against ``index``), independent between purposes and indices."""
    with np.errstate(over="ignore"):
        spot = np.asarray(index, np.int64).astype(np.uint64) * np.uint64(0xD1342543DE82EF95)
        salted = key + (spot + np.uint64(purpose) * np.uint64(0x9E3779B97F4A7C15))
    made: Floats = (mix(salted) >> np.uint64(11)).astype(np.float64) * 2.0**-53
    return made


def between(key: Keys, purpose: int, low: float, high: float) -> Floats:
    return low + (high - low) * uniform(key, purpose)


def spread(key: Keys, purpose: int, middle: float, factor: float) -> Floats:
    """Log-uniform around ``middle``: from middle / sqrt(factor) to middle * sqrt(factor)."""
    return middle * factor ** (uniform(key, purpose) - 0.5)


@dataclass(frozen=True, slots=True)
class Traits:
    """What the audience is like. Shares are of listeners, in [0, 1].

    ``bad_share``: sensors that are noise, stuck or loose. ``loose_share``: additional loose ones. ``motion_share``:
    share of *time* in which a listener moves. ``dropout_share``: phones that drop out and return.
    ``leak_share``: optical sensors that see stage light. ``non_responders``: no skin responses (about 10 %,
    REFERENCES: Dawson, Schell & Filion). ``gain_spread``: largest over smallest reactivity. ``noise``: multiplies
    the sensors' own noise. ``level_rate_bpm``: range of resting pulse rates.
    """

    bad_share: float = 0.0
    loose_share: float = 0.0
    motion_share: float = 0.0
    dropout_share: float = 0.0
    leak_share: float = 0.3
    non_responders: float = 0.1
    gain_spread: float = 10.0
    noise: float = 1.0
    level_rate_bpm: tuple[float, float] = (50.0, 95.0)

    def __post_init__(self) -> None:
        wrong = [
            f"{f.name}: found {getattr(self, f.name)}, allowed 0..1"
            for f in fields(self)
            if (f.name.endswith("_share") or f.name == "non_responders") and not 0.0 <= getattr(self, f.name) <= 1.0
        ]
        if wrong:
            raise ValueError("; ".join(wrong))


REAL = Traits(bad_share=0.05, loose_share=0.05, motion_share=0.04, dropout_share=0.05)  # a house as one meets it


@dataclass(frozen=True, slots=True)
class People:
    """One array a constant, shape (n,); units in the names. ``fault`` indexes FAULTS, ``role`` indexes ROLES.

    ``felt_size``: how much of the common drive a listener feels; ``delay_s``: when (1 to 3 s after, Boucsein et al.
    2012). ``*_gain``: how strongly what is felt shows in that signal.
    """

    key: Keys
    role: NDArray[np.int64]
    fault: NDArray[np.int64]
    loose: NDArray[np.bool_]
    delay_s: Floats
    felt_size: Floats
    wander_size: Floats
    wander_hz: Floats
    wander_turn: Floats
    rate_bpm: Floats
    rate_gain_bpm: Floats
    sinus_bpm: Floats
    breath_hz: Floats
    breath_turn: Floats
    pulse_counts: Floats
    pulse_gain: Floats
    skin_us: Floats
    skin_response_us: Floats
    skin_gain: Floats
    spontaneous_a_minute: Floats
    temperature_c: Floats
    temperature_gain_c: Floats
    leak: Floats
    bass: Floats
    start_beats: Floats


def people(seed: int, listeners: NDArray[np.int64], roles: Sequence[str], traits: Traits) -> People:
    """Draw everyone. ``roles`` has one name of ROLES a listener; O(n), elementwise in the listener."""
    k = keys(seed, listeners)
    role = np.array([ROLES.index(r) for r in roles], np.int64)
    heard = role == 0
    fault = np.where(heard & (uniform(k, 1) < traits.bad_share), 1 + np.floor(3 * uniform(k, 2)), 0).astype(np.int64)
    loose = heard & ((fault == 3) | (uniform(k, 3) < traits.loose_share))
    reactivity = spread(k, 4, 1.0, traits.gain_spread)
    responds = uniform(k, 5) >= np.where(heard, traits.non_responders, 0.0)
    return People(
        key=k,
        role=role,
        fault=fault,
        loose=loose,
        delay_s=np.where(role == 1, 0.3, between(k, 6, 1.0, 3.0)),
        felt_size=between(k, 7, 0.7, 1.3),
        wander_size=between(k, 8, 0.02, 0.08),
        wander_hz=between(k, 9, 0.004, 0.012),
        wander_turn=uniform(k, 10),
        rate_bpm=between(k, 11, *traits.level_rate_bpm),
        rate_gain_bpm=3.0 + 10.0 * np.sqrt(reactivity) * between(k, 12, 0.5, 1.0),
        sinus_bpm=between(k, 13, 1.0, 5.0),
        breath_hz=between(k, 14, 0.18, 0.32),
        breath_turn=uniform(k, 15),
        pulse_counts=spread(k, 16, 1500.0, 10.0),
        pulse_gain=between(k, 17, 0.25, 0.55),
        skin_us=np.clip(4.0 * np.exp(0.75 * _normal(k, 18)), 0.5, 20.0),
        skin_response_us=np.where(responds, spread(k, 19, 0.35, traits.gain_spread), 0.0),
        skin_gain=0.12 * np.sqrt(reactivity) * between(k, 20, 0.7, 1.3),
        spontaneous_a_minute=between(k, 21, 1.0, 3.0),
        temperature_c=between(k, 22, 28.0, 35.0),
        temperature_gain_c=between(k, 23, 0.3, 1.5),
        leak=np.where((role == 2) | (uniform(k, 24) < traits.leak_share), between(k, 25, 0.5, 2.0), 0.0),
        bass=between(k, 26, 0.2, 1.0),
        start_beats=uniform(k, 27),
    )


def _normal(key: Keys, purpose: int) -> Floats:
    """Standard normal by Box & Muller (1958)."""
    made: Floats = np.sqrt(-2.0 * np.log(1.0 - uniform(key, purpose))) * np.cos(2 * np.pi * uniform(key, purpose + 100))
    return made

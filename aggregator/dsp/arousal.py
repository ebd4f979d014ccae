"""From features against rest to one number: signed weights, unit deviation at rest, squash, confidence. Pure numpy.

Arousal has a meaning (contract 10): 0.5 is the listener's own rest; one robust deviation above it is about 0.62, two
0.73, four 0.88; 0 and 1 are never quite reached. It does not tell pleasant from unpleasant.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Floats
from aggregator.dsp.features import AUDIENCE, FeatureTable

SQUASH_DEVIATIONS = 4.0  # contract 10: arousal = (1 + tanh(z / 4)) / 2
FEATURE_LIMIT = 6.0  # deviations one feature may count: an artefact of ten times says no more than "very"
Z_LIMIT = 8.0  # deviations of the fused value: arousal stays within 0.018..0.982
SAME_CHANNEL_CORRELATION = 0.5  # at rest, between features of one channel (P: drive, level and count share responses)
OTHER_CHANNEL_CORRELATION = 0.1  # between channels (Boudewyns 1976: unrelated; a little for movement in common)
STANDARD_WEIGHT = float(AUDIENCE.size_of_weight.sum())  # a listener with every channel at full trust: confidence 1


def squash(z: Floats) -> Floats:
    """arousal = (1 + tanh(z / 4)) / 2; z in robust deviations, any shape; finite in, [0, 1] out. Contract 10."""
    return 0.5 * (1.0 + np.tanh(z / SQUASH_DEVIATIONS))


def against_rest(values: Floats, location: Floats, scale: Floats) -> Floats:
    """z = clip((x - location) / scale, -6, 6), 0 where any of them is unknown. Shapes (m, F), scale > 0.

    Does not apply the sign: temperature that rises is positive here. Source: Ben-Shakhar 1985 for deviations instead
    of a range, so that one artefact does not squash what follows.
    """
    z = (values - location) / scale
    return np.where(np.isfinite(z), np.clip(z, -FEATURE_LIMIT, FEATURE_LIMIT), 0.0)


def combine(z: Floats, weight: Floats, table: FeatureTable) -> Floats:
    """Features' deviations into one with about unit deviation at rest, whatever subset of features is there.

    With s the table's signs, w >= 0 the effective weights and R the assumed correlations at rest (1 on the diagonal,
    0.5 within a channel, 0.1 between channels)::

        z = clip(sum(s w z) / sqrt(w' R w), -8, 8);   0 where sum(w) = 0

    Args:
        z, weight: (m, F). Returns: (m,). Multiplying all weights by one number changes nothing.

    Agreement counts: two channels at +2 give more than one at +2, because chance makes both deviate less often.
    Does not estimate R from the listener: 120 s of rest are too few. Source: variance of a weighted sum (D).
    """
    total, square, between, within = (np.zeros(len(z)) for _ in range(4))
    for numbers in table.of_channel.values():
        channel = np.zeros(len(z))
        for f in numbers:
            w = weight[:, f]
            total += (table.sign[f] * w) * z[:, f]
            square += w * w
            channel += w
        within += channel * channel
        between += channel
    same, other = SAME_CHANNEL_CORRELATION, OTHER_CHANNEL_CORRELATION
    variance = (1.0 - same) * square + (same - other) * within + other * between * between
    known = variance > 1e-18
    return np.where(known, np.clip(total / np.sqrt(np.where(known, variance, 1.0)), -Z_LIMIT, Z_LIMIT), 0.0)


def coverage(trust: Floats, table: FeatureTable) -> Floats:
    """Confidence from what is there: sqrt(sum(|w| q^2) / sum(|w|)) over the standard channels, at most 1.

    Equal trust q in everything gives q; full trust in a subset gives the root of its share of the weight: skin alone
    0.81, pulse alone 0.52, temperature alone 0.28. Rises with each q. ``trust`` (m, F) in [0, 1]; returns (m,).
    Source: our own definition.
    """
    total = np.zeros(len(trust))
    for f in range(table.size):
        total += table.size_of_weight[f] * trust[:, f] * trust[:, f]
    return np.minimum(np.sqrt(total / STANDARD_WEIGHT), 1.0)


class BlankNotice(enum.Enum):
    """Why the house's confidence is lowered by the sensors without a finger."""

    NONE = ""
    TRUSTED = "Sensors without a finger claim a signal: stage light or vibration may be reaching the sensors."
    MOVING = "Sensors without a finger move with the house: the change may come from light, bass or handling."


BLANK_SECONDS = 20  # shortest stretch that can say "moves with the house"
BLANK_MOVES = 0.02  # arousal; less than this in both is standing still, and its correlation means nothing
BLANK_CORRELATION = 0.5  # alike from here on; at 1 the house's confidence is 0


@dataclass(frozen=True, slots=True)
class BlankVerdict:
    """``factor`` [0, 1] multiplies the house's confidence; ``correlation`` of house and blanks, NaN not known."""

    factor: float
    notice: BlankNotice
    correlation: float


def blank_control(house: Floats, blank: Floats, blank_trust: Floats, *, rate_hz: float) -> BlankVerdict:
    """What the negative control says: sensors without a finger must show nothing, least of all the house's own curve.

    factor = min(1 - clip((r - 0.5) / 0.5, 0, 1), 1 - clip((trust - 0.1) / 0.4, 0, 1)): r the correlation of both
    series over the seconds where both are known (>= 20 s, both moving by more than 0.02 in standard deviation),
    trust the mean trust in the blanks' signal over the series.

    Args:
        house, blank: arousal (t,), NaN unknown; blank_trust: (t,) [0, 1], 0 where the blanks show nothing.
        rate_hz: samples a second, > 0.
    Raises:
        ValueError: series of unequal length.

    Does not correct the house's value: what leaked in cannot be taken out. Source: negative control (P).
    """
    if not len(house) == len(blank) == len(blank_trust):
        raise ValueError(f"series of {len(house)}, {len(blank)} and {len(blank_trust)} samples")
    both = np.isfinite(house) & np.isfinite(blank) & (blank_trust > 0.0)
    r, moving = np.nan, 1.0
    if both.sum() >= BLANK_SECONDS * rate_hz:
        a, b = house[both] - house[both].mean(), blank[both] - blank[both].mean()
        spread = np.sqrt((a * a).mean() * (b * b).mean())
        if min((a * a).mean(), (b * b).mean()) > BLANK_MOVES**2:
            r = float((a * b).mean() / spread)
            moving = float(1.0 - np.clip((r - BLANK_CORRELATION) / (1.0 - BLANK_CORRELATION), 0.0, 1.0))
    trust = float(np.nan_to_num(blank_trust).mean()) if len(blank_trust) else 0.0
    trusted = float(1.0 - np.clip((trust - 0.1) / 0.4, 0.0, 1.0))
    factor = min(moving, trusted)
    cause = BlankNotice.MOVING if moving <= trusted else BlankNotice.TRUSTED
    return BlankVerdict(factor, cause if factor < 1.0 else BlankNotice.NONE, r)

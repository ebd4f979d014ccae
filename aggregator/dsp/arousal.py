"""From features against rest to one number: signed weights, unit deviation at rest, squash, confidence. Pure numpy.

Arousal has a meaning (contract 10): 0.5 is the listener's own rest; one robust deviation above it is about 0.62, two
0.73, four 0.88; 0 and 1 are never quite reached. It does not tell pleasant from unpleasant.
"""

from __future__ import annotations

import numpy as np

from aggregator.dsp.columns import Floats
from aggregator.dsp.features import AUDIENCE, FeatureTable

SQUASH_DEVIATIONS = 4.0  # contract 10: arousal = (1 + tanh(z / 4)) / 2
FEATURE_LIMIT = 6.0  # deviations one feature may count: an artefact of ten times says no more than "very"
CALM_LIMIT = 3.0  # deviations towards calm that one feature may count: rest is near the calm end, far below it lie
# fingers that move (large amplitude) or warm up (temperature), not deep calm
Z_LIMIT = 8.0  # deviations of the fused value: arousal stays within 0.018..0.982
SAME_CHANNEL_CORRELATION = 0.6  # at rest, between features of one channel (P: drive, level and count share responses)
OTHER_CHANNEL_CORRELATION = 0.2  # between channels (P: movement and breath in common; Boudewyns 1976 found less)
STANDARD_WEIGHT = float(AUDIENCE.size_of_weight.sum())  # a listener with every channel at full trust: confidence 1


def squash(z: Floats) -> Floats:
    """arousal = (1 + tanh(z / 4)) / 2; z in robust deviations, any shape; finite in, [0, 1] out. Contract 10.

    Computed as 1 / (1 + exp(-z / 2)), the same function at a third of the cost.
    """
    made: Floats = 1.0 / (1.0 + np.exp(z * (-2.0 / SQUASH_DEVIATIONS)))
    return made


def against_rest(values: Floats, location: Floats, scale: Floats) -> Floats:
    """z = clip((x - location) / scale, -6, 6), 0 where any of them is unknown. Shapes (m, F), scale > 0.

    Does not apply the sign: temperature that rises is positive here. Source: Ben-Shakhar 1985 for deviations instead
    of a range, so that one artefact does not squash what follows.
    """
    z: Floats = (values - location) / scale
    np.copyto(z, 0.0, where=~np.isfinite(z))
    np.minimum(np.maximum(z, -FEATURE_LIMIT, out=z), FEATURE_LIMIT, out=z)
    return z


def combine(z: Floats, weight: Floats, table: FeatureTable) -> Floats:
    """Features' deviations into one with about unit deviation at rest, whatever subset of features is there.

    With s the table's signs, w >= 0 the effective weights and R the assumed correlations at rest (1 on the diagonal,
    0.6 within a channel, 0.2 between channels)::

        z = clip(sum(w max(s z, -3)) / sqrt(w' R w), -8, 8);   0 where sum(w) = 0

    Args:
        z, weight: (m, F). Returns: (m,). Multiplying all weights by one number changes nothing.

    Agreement counts: two channels at +2 give more than one at +2, because chance makes both deviate less often.
    Does not estimate R from the listener: 120 s of rest are too few. Source: variance of a weighted sum (D).
    """
    signed = z * table.sign
    np.maximum(signed, -CALM_LIMIT, out=signed)
    signed *= weight
    total, square = _across(signed), _across(weight * weight)
    channels = [_across(weight[:, numbers[0] : numbers[-1] + 1]) for numbers in table.of_channel.values()]
    between, within = channels[0].copy(), channels[0] * channels[0]
    for channel in channels[1:]:
        between += channel
        channel *= channel
        within += channel
    same, other = SAME_CHANNEL_CORRELATION, OTHER_CHANNEL_CORRELATION
    variance = (1.0 - same) * square + (same - other) * within + other * between * between
    np.copyto(total, 0.0, where=variance <= 1e-18)
    total /= np.sqrt(np.maximum(variance, 1e-18))
    np.minimum(np.maximum(total, -Z_LIMIT, out=total), Z_LIMIT, out=total)
    return total


def coverage(trust: Floats, table: FeatureTable) -> Floats:
    """Confidence from what is there: sqrt(sum(|w| q^2) / sum(|w|)) over the standard channels, at most 1.

    Equal trust q in everything gives q; full trust in a subset gives the root of its share of the weight: skin alone
    0.77, pulse alone 0.59, temperature alone 0.23. Rises with each q. ``trust`` (m, F) in [0, 1]; returns (m,).
    Source: our own definition.
    """
    total = _across(trust * trust * table.size_of_weight)
    return np.minimum(np.sqrt(total / STANDARD_WEIGHT), 1.0)


def _across(x: Floats) -> Floats:
    """Sum over the features, in their order: the same bits for one row and for many."""
    total = x[:, 0].copy()
    for f in range(1, x.shape[1]):
        total += x[:, f]
    return total

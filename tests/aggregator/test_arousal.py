"""The formula: contract 10's figures, unit deviation at rest and confidence."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.arousal import against_rest, combine, coverage, squash
from aggregator.dsp.features import AUDIENCE

F = AUDIENCE.size
ALL = list(range(F))
SKIN = [AUDIENCE.names.index(n) for n in ("skin_level", "skin_drive", "skin_responses")]
PULSE = [AUDIENCE.names.index(n) for n in ("pulse_rate", "pulse_amplitude")]


def only(columns: list[int], value: float = 1.0) -> np.ndarray:
    made = np.zeros((1, F))
    made[:, columns] = value
    return made


@pytest.mark.parametrize(
    ("z", "arousal"), [(0.0, 0.5), (1.0, 0.6225), (2.0, 0.7311), (4.0, 0.8808), (-2.0, 0.2689), (-4.0, 0.1192)]
)
def test_arousal_has_the_meaning_of_contract_10(z: float, arousal: float) -> None:
    """Closed form (1 + tanh(z/4))/2 = 1/(1 + exp(-z/2)); derived."""
    assert squash(np.array([z]))[0] == pytest.approx(arousal, abs=5e-5)
    assert squash(np.array([z]))[0] == pytest.approx(1 / (1 + np.exp(-z / 2)))


def test_zero_and_one_are_never_reached() -> None:
    z = combine(np.sign(AUDIENCE.weight)[None] * 6.0, np.abs(AUDIENCE.weight)[None], AUDIENCE)
    assert 0.9 < squash(z)[0] < 0.99
    assert 0.01 < squash(-z)[0] < 0.3


def test_deviations_are_unmoved_by_gain_and_offset_of_the_unit() -> None:
    """Range correction is invariant to a*x + b (Lykken & Venables 1971, from memory); so must our deviations be."""
    rng = np.random.default_rng(1)
    rest, live = rng.normal(5, 0.2, (120, 1)), rng.normal(5.5, 0.5, (50, 1))

    def deviations(a: float, b: float) -> np.ndarray:
        r = a * rest + b
        middle = np.median(r, axis=0)
        return against_rest(a * live + b, middle, 1.4826 * np.median(np.abs(r - middle), axis=0))

    assert deviations(10.0, -3.0) == pytest.approx(deviations(1.0, 0.0), abs=1e-9)


def test_one_artefact_does_not_squash_what_follows() -> None:
    """Ben-Shakhar 1985: a mean and deviation are steadier than a maximum. A range correction would show 1/10."""
    values = np.array([[5.0], [50.0], [5.4]])
    z = against_rest(values, np.array([5.0]), np.array([0.2]))
    assert z[:, 0] == pytest.approx([0.0, 6.0, 2.0])


def test_unknown_is_no_deviation() -> None:
    z = against_rest(np.array([[np.nan, 1.0, np.inf]]), np.array([[0.0, np.nan, 0.0]]), np.ones((1, 3)))
    assert z.tolist() == [[0.0, 0.0, 0.0]]


@pytest.mark.parametrize("share", [[*PULSE], [*SKIN], [0], list(range(F)), [5]])
def test_any_subset_has_about_unit_deviation_at_rest(share: list[int]) -> None:
    """Variance of a weighted sum, derived: draws with the assumed correlations come out with deviation 1."""
    channel = np.array([AUDIENCE.channels.index(f.channel) for f in AUDIENCE.features])
    r = np.where(np.eye(F) > 0, 1.0, np.where(channel[:, None] == channel[None, :], 0.6, 0.2))
    draws = np.random.default_rng(7).multivariate_normal(np.zeros(F), r, 40_000) * np.sign(AUDIENCE.weight)
    weight = np.zeros((40_000, F))
    weight[:, share] = np.abs(AUDIENCE.weight)[share]
    assert combine(draws, weight, AUDIENCE).std() == pytest.approx(1.0, abs=0.02)


def test_signs_cold_tight_fingers_are_arousal() -> None:
    """Finger vessels tighten and the finger cools under stress (Kistler et al. 1998)."""
    z = np.zeros((1, F))
    z[0, AUDIENCE.names.index("pulse_amplitude")] = -2.0
    z[0, AUDIENCE.names.index("temperature")] = -2.0
    assert combine(z, np.abs(AUDIENCE.weight)[None], AUDIENCE)[0] > 0.2


def test_far_below_rest_counts_no_more_than_three_deviations() -> None:
    """A finger that warms or moves is not deep calm; what rises is not limited with it."""
    z = np.zeros((3, F))
    z[:, AUDIENCE.names.index("temperature")] = [3.0, 6.0, -6.0]
    calm, calmer, tense = combine(z, np.abs(AUDIENCE.weight)[None].repeat(3, axis=0), AUDIENCE)
    assert calm == calmer
    assert tense == pytest.approx(-2 * calm)


def test_a_falling_pulse_rate_does_not_overrule_the_skin() -> None:
    """Heart rate can fall with arousing music (PMC4623197)."""
    z = only(SKIN, 2.0)
    z[0, AUDIENCE.names.index("pulse_rate")] = -2.0
    assert combine(z, np.abs(AUDIENCE.weight)[None], AUDIENCE)[0] > 1.0


def test_scaling_all_weights_changes_nothing_and_none_means_rest() -> None:
    z = np.random.default_rng(3).normal(size=(5, F))
    w = np.random.default_rng(4).uniform(0.1, 1, (5, F))
    assert combine(z, 0.01 * w, AUDIENCE) == pytest.approx(combine(z, w, AUDIENCE))
    assert combine(z, 0 * w, AUDIENCE).tolist() == [0.0] * 5


@pytest.mark.parametrize(
    ("columns", "trust", "confidence"),
    [
        (list(range(F)), 1.0, 1.0),
        (list(range(F)), 0.5, 0.5),
        (SKIN, 1.0, 0.772),
        (PULSE, 1.0, 0.592),
        ([5], 1.0, 0.229),
    ],
)
def test_confidence_says_what_is_there(columns: list[int], trust: float, confidence: float) -> None:
    assert coverage(only(columns, trust), AUDIENCE)[0] == pytest.approx(confidence, abs=1e-3)


def test_confidence_rises_with_every_trust() -> None:
    base = np.full((1, F), 0.4)
    for f in range(F):
        more = base.copy()
        more[0, f] = 0.8
        assert coverage(more, AUDIENCE)[0] > coverage(base, AUDIENCE)[0]

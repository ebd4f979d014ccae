"""What is published against what the simulated listeners felt: the issue's figures for the house."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from loadtest.people import Traits
from loadtest.programme import Moment
from tests.aggregator.helper_audience import STEP_S, Heard, evening, hear, with_happening

MOMENTS = (
    Moment(60.0, 12.0, 15.0, 12.0, 0.8),
    Moment(120.0, 20.0, 10.0, 15.0, 0.5),
    Moment(180.0, 8.0, 20.0, 15.0, 1.0),
)
AFTER_REST_S = 52.0


@functools.cache
def concert(bad_share: float) -> Heard:
    return hear(80, evening(240.0, *MOMENTS), traits=Traits(bad_share=bad_share), seed=4)


def follows(heard: Heard) -> tuple[float, float]:
    """Largest correlation of the house with what it felt, the house 0 to 6 s late; and by how much."""
    after = heard.t_s >= AFTER_REST_S
    shown, felt = heard.house[after], heard.truth[after]
    best = [(float(np.corrcoef(shown[late:], felt[: len(felt) - late])[0, 1]), late * STEP_S) for late in range(25)]
    return max(best)


@pytest.mark.parametrize("bad_share", [0.0, 0.3])
def test_the_house_follows_its_programme_with_a_third_of_bad_sensors(bad_share: float) -> None:
    """The issue: correlation >= 0.97 with 30 % bad sensors. The delay is the features' (stated in the method card)."""
    correlation, late_s = follows(concert(bad_share))
    assert correlation >= 0.97
    assert late_s <= 4.5


def test_people_who_differ_tenfold_peak_alike() -> None:
    """The issue: spread (CV) of the listeners' peak response <= 0.45 with tenfold differences."""
    heard = concert(0.0)
    moment = (heard.t_s >= 180.0) & (heard.t_s < 225.0)
    peak = heard.arousal[moment][:, heard.good].max(axis=0) - 0.5
    assert peak.mean() > 0.2
    assert peak.std() / peak.mean() <= 0.45


def test_bad_sensors_are_known_by_their_confidence() -> None:
    heard = concert(0.3)
    late = heard.t_s >= AFTER_REST_S
    good, bad = heard.confidence[late][:, heard.good].mean(), heard.confidence[late][:, ~heard.good].mean()
    assert good > 0.75
    assert bad < 0.6 * good


def test_rest_is_half() -> None:
    heard = concert(0.0)
    still = (heard.t_s >= AFTER_REST_S) & (heard.t_s < 60.0)
    assert heard.house[still].mean() == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize(
    ("kind", "moving"),
    [("light", False), ("bass", False), ("applause", False), ("applause", True), ("dancing", False), ("dancing", True)],
)
def test_what_happens_in_the_hall_is_not_published_as_feeling(kind: str, moving: bool) -> None:
    """The issue: light leak, bass shake and applause raise arousal by no more than 0.05; a dancing house neither, for
    as long as the pulse's memory (20 s) or a motion channel tells."""
    heard = hear(60, with_happening(kind, 70.0, 86.0), traits=Traits(leak_share=0.3), seed=3, moving=moving)
    before = heard.house[(heard.t_s >= 60.0) & (heard.t_s < 70.0)].mean()
    during = heard.t_s >= 70.0
    assert heard.house[during].max() - before <= 0.05
    assert before - heard.house[during].min() <= 0.15, "nor is a hand that claps deep calm"


def test_movement_takes_confidence() -> None:
    heard = hear(40, with_happening("dancing", 70.0, 86.0), traits=Traits(), seed=3, moving=True)
    still, moving = (heard.t_s >= 62.0) & (heard.t_s < 70.0), (heard.t_s >= 76.0) & (heard.t_s < 86.0)
    assert heard.confidence[moving].mean() < 0.15 * heard.confidence[still].mean()

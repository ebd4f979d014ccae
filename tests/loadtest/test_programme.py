from __future__ import annotations

import numpy as np
import pytest

from loadtest.physiology import Audience
from loadtest.programme import TABLE_HZ, TEMPERATURE_LAG_S, Happening, Moment, demo, still
from relay.parts import PARTS


def test_the_demo_has_the_stated_times() -> None:
    programme = demo()
    assert programme.length_s == 60.0
    assert [(p.start_s, p.part) for p in programme.parts] == [(0.0, "rest"), (20.0, "piece")]
    assert [(m.onset_s, m.end_s) for m in programme.moments] == [(28.0, 38.0)]
    drive = programme.drive(np.array([0.0, 19.0, 27.9, 31.0, 35.0, 38.1, 59.0]))
    np.testing.assert_allclose(drive, [0, 0, 0, 1, 1, 0, 0], atol=1e-9)


def test_longer_demos_repeat_and_shorter_ones_shrink() -> None:
    assert [m.onset_s for m in demo(180.0).moments] == [28.0, 68.0, 108.0, 148.0]
    assert [m.onset_s for m in demo(30.0).moments] == [14.0]
    assert demo(180.0).moments[0].title != demo(180.0).moments[1].title


def test_parts_are_parts_of_the_evening() -> None:
    for programme in (demo(300.0), still(10.0)):
        assert {p.part for p in programme.parts} <= set(PARTS)
    assert demo().part_at(19.9).part == "rest"
    assert demo().part_at(20.0).part == "piece"
    assert demo().part_at(-1.0).part == "rest"


def test_integral_is_the_drives_integral() -> None:
    programme = demo(180.0)
    t_s = np.arange(0.0, 180.0, 0.001)
    summed = np.cumsum(programme.drive(t_s)) * 0.001
    np.testing.assert_allclose(programme.drive_integral(t_s), summed, atol=2e-3)


def test_lag_reaches_63_percent_after_one_time_constant() -> None:
    programme = demo().__class__("Step", 100.0, demo().parts, (Moment(10.0, 0.06, 80.0, 1.0, 1.0),))
    assert programme.drive_lagged(np.array([10.05 + TEMPERATURE_LAG_S]))[0] == pytest.approx(1 - np.exp(-1), abs=0.01)


def test_a_drive_is_the_sum_of_all_moments_everywhere() -> None:
    programme = demo(600.0)
    t_s = np.arange(round(programme.length_s * TABLE_HZ) + 1) / TABLE_HZ
    whole = np.sum([m.shape(t_s) for m in programme.moments], axis=0)
    np.testing.assert_allclose(programme.drive(t_s), np.clip(whole, 0.0, 1.0), rtol=0, atol=1e-12)


def test_six_hours_are_made_beforehand_and_only_where_moments_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo without an end: made at the first packet, over the whole grid for each moment, the tables stopped a
    house for five seconds."""
    looked = 0
    shape = Moment.shape

    def counting(self: Moment, t_s: np.ndarray) -> np.ndarray:
        nonlocal looked
        looked += len(t_s)
        return shape(self, t_s)

    monkeypatch.setattr(Moment, "shape", counting)
    programme = demo(6 * 3600.0)
    Audience(5, 1, programme)
    assert 0 < looked <= programme.length_s * TABLE_HZ
    monkeypatch.setattr(Moment, "shape", lambda *_: pytest.fail("made in the middle of an evening"))
    assert programme.drive(np.array([32.0]))[0] == 1.0


def test_unknown_happenings_are_refused() -> None:
    with pytest.raises(ValueError, match="applause"):
        Happening("rain", 0.0, 1.0)

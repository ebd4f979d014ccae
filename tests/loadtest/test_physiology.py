"""The simulated audience against the outside: reference libraries and published shapes, named beside each check."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest
from numpy.typing import NDArray

from loadtest.people import REAL, Traits
from loadtest.physiology import PULSE_HZ, SKIN_HZ, Audience
from loadtest.programme import EveningPart, Happening, Moment, Programme, demo, still
from loadtest.shapes import bateman, bateman_peak_s

CLEAN = Traits(leak_share=0.0)


def steady(rate_bpm: float, seconds: float = 60.0) -> Audience:
    return Audience(1, 5, still(seconds), traits=Traits(level_rate_bpm=(rate_bpm, rate_bpm), leak_share=0.0))


def test_bateman_shape_of_greco_2016() -> None:
    """tau 0.7 and 2.0 s: peak at 1.131 s, half recovery 2.151 s later (Greco et al. 2016; times computed from it)."""
    t_s = np.arange(0.0, 20.0, 0.001)
    shape = bateman(t_s, 0.7, 2.0)
    peak = int(np.argmax(shape))
    half = peak + int(np.argmax(shape[peak:] < 0.5))
    assert bateman_peak_s(0.7, 2.0) == pytest.approx(1.131, abs=1e-3)
    assert t_s[peak] == pytest.approx(1.131, abs=2e-3)
    assert t_s[half] - t_s[peak] == pytest.approx(2.151, abs=2e-3)
    assert shape[peak] == pytest.approx(1.0, abs=1e-6)
    assert bateman(np.array([-1.0, 0.0])).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("traits", [CLEAN, REAL])
def test_one_alone_is_the_same_as_among_many(traits: Traits) -> None:
    house = Audience(200, 11, demo(), traits=traits, motion=True)
    among = house.signals(10.0, 50.0)
    for number in (0, 7, 133):
        alone = Audience([number], 11, demo(), traits=traits, motion=True).signals(10.0, 50.0)
        assert among.motion is not None
        assert alone.motion is not None
        np.testing.assert_array_equal(alone.pulse[0], among.pulse[number])
        np.testing.assert_array_equal(alone.skin[0], among.skin[number])
        np.testing.assert_array_equal(alone.temperature[0], among.temperature[number])
        np.testing.assert_array_equal(alone.motion[0], among.motion[number])


def test_any_chunks_give_the_same_samples() -> None:
    house = Audience(20, 3, demo(), traits=REAL)
    whole = house.signals(0.0, 60.0)
    cuts = np.sort(np.random.default_rng(0).uniform(0.0, 60.0, 80))
    edges = [0.0, *cuts.tolist(), 60.0]
    parts = [house.signals(a, b) for a, b in itertools.pairwise(edges)]
    for name in ("pulse", "skin", "temperature"):
        np.testing.assert_array_equal(np.concatenate([getattr(p, name) for p in parts], axis=1), getattr(whole, name))


def test_advance_walks_the_same_samples() -> None:
    house, other = Audience(5, 3, demo()), Audience(5, 3, demo())
    walked = np.concatenate([house.advance(0.25).pulse for _ in range(40)], axis=1)
    np.testing.assert_array_equal(walked, other.signals(0.0, 10.0).pulse)


@pytest.mark.parametrize("rate_bpm", [50.0, 72.0, 95.0, 140.0])
def test_reference_libraries_find_the_planted_rate(rate_bpm: float) -> None:
    """heartpy 1.2 and neurokit2 0.2 (both independent of ours) read the planted rate within 1 beat a minute."""
    house = steady(rate_bpm)
    pulse = house.signals(0.0, 60.0).pulse[0].astype(np.float64)
    beats = house.beat_times_s(0, 0.0, 60.0)
    truth = 60.0 / float(np.mean(np.diff(beats)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import heartpy
        import neurokit2

        _, measures = heartpy.process(pulse, float(PULSE_HZ))
        cleaned = neurokit2.ppg_clean(pulse, sampling_rate=PULSE_HZ)
        peaks = neurokit2.ppg_findpeaks(cleaned, sampling_rate=PULSE_HZ)["PPG_Peaks"]
    assert measures["bpm"] == pytest.approx(truth, abs=1.0)
    assert 60.0 * PULSE_HZ / np.mean(np.diff(peaks)) == pytest.approx(truth, abs=1.0)


def test_beat_times_are_where_the_wave_peaks() -> None:
    house = steady(66.0)
    pulse = house.signals(0.0, 30.0).pulse[0].astype(np.float64)
    for beat_s in house.beat_times_s(0, 1.0, 29.0):
        near = slice(round((beat_s - 0.2) * PULSE_HZ), round((beat_s + 0.2) * PULSE_HZ))
        assert near.start + np.argmax(pulse[near]) == pytest.approx(beat_s * PULSE_HZ, abs=2.0)


def test_true_rate_is_the_slope_of_the_beats() -> None:
    house = Audience(3, 9, demo(), traits=CLEAN)
    for row in range(3):
        beats = house.beat_times_s(row, 0.0, 60.0)
        middle = (beats[1:] + beats[:-1]) / 2
        rate = house.pulse_rate_bpm(middle, np.array([row]))[0]
        np.testing.assert_allclose(60.0 / np.diff(beats), rate, atol=0.8)


def test_resting_levels_are_human() -> None:
    """Ranges as in the handbook of psychophysiology (Dawson, Schell & Filion; from memory): 0.5..20 uS, 50..95 bpm."""
    house = Audience(2000, 2, still(30.0), traits=CLEAN)
    truth = house.truth(20.0)
    assert 44.0 < truth.pulse_rate_bpm.min() < 60.0 < 85.0 < truth.pulse_rate_bpm.max() < 101.0  # breath adds 5
    assert 0.4 < truth.skin_level_us.min() < 1.0
    assert 10.0 < truth.skin_level_us.max() < 21.0
    assert 27.9 < truth.temperature_c.min() < 29.0 < 34.0 < truth.temperature_c.max() < 35.1


def test_responses_a_minute_at_rest_and_aroused() -> None:
    """1 to 3 spontaneous responses a minute at rest, above 20 when aroused (Dawson, Schell & Filion; from memory)."""
    storm = Moment(130.0, 1.0, 120.0, 1.0, 1.0)
    house = Audience(300, 4, Programme("Storm", 260.0, (EveningPart(0.0, "rest", ""),), (storm,)), traits=CLEAN)
    able = [r for r in range(300) if house.people.skin_response_us[r] > 0]
    rest = np.array([len(house.responses(r, 0.0, 120.0)[0]) / 2 for r in able])
    storm_rate = np.array([len(house.responses(r, 135.0, 255.0)[0]) / 2 for r in able])
    assert 1.5 < rest.mean() < 2.5
    assert storm_rate.mean() > 20.0
    assert 0.05 < 1 - len(able) / 300 < 0.16  # about 10 % do not respond


def test_first_response_follows_the_moment_by_1_to_3_s() -> None:
    """Onset 1 to 3 s after the event (Boucsein et al. 2012)."""
    house = Audience(50, 4, demo(), traits=Traits(leak_share=0.0, non_responders=0.0))
    for row in range(50):
        onset_s, size = house.responses(row, 29.0, 31.01)
        assert np.any(np.isclose(onset_s, 28.0 + house.people.delay_s[row]))
        assert (size > 0).all()


def responses_found(skin_us: NDArray[np.float64]) -> NDArray[np.float64]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from cvxeda import cvxEDA

        standard = (skin_us - skin_us.mean()) / skin_us.std()
        driver = np.asarray(
            list(cvxEDA(standard, 1.0 / SKIN_HZ, tau0=2.5, tau1=0.75, options={"show_progress": False}))[1]
        )
    runs = driver.ravel() > 0.05 * driver.max()
    starts = np.flatnonzero(runs & ~np.roll(runs, 1))
    return starts / SKIN_HZ


def test_cvxeda_finds_the_planted_responses() -> None:
    """cvxEDA (Greco et al. 2016) as the offline reference: onsets within 1.5 s of ours."""
    house = Audience(40, 6, still(180.0), traits=Traits(leak_share=0.0, non_responders=0.0, noise=0.2))
    row = int(np.argmax(house.people.skin_response_us))
    skin_us = house.signals(0.0, 180.0, np.array([row])).skin[0] * 0.001
    onsets, sizes = house.responses(row, 1.0, 175.0)
    found = responses_found(skin_us)
    assert len(onsets) >= 3
    assert sizes.min() > 0.05
    hits = [bool(np.any(np.abs(found - t) < 1.5)) for t in onsets]
    assert np.mean(hits) >= 0.8


def test_skin_is_level_plus_planted_responses() -> None:
    house = Audience(3, 6, still(100.0), traits=Traits(leak_share=0.0, non_responders=0.0, noise=0.0))
    made = house.signals(0.0, 100.0)
    t_s = np.arange(made.skin.shape[1]) / SKIN_HZ
    for row in range(3):
        level = house.people.skin_us[row] * np.exp(house.people.skin_gain[row] * house.felt(t_s, np.array([row]))[0])
        onset_s, size = house.responses(row, 0.0, 100.0)
        planted = level + sum(a * bateman(t_s - o) for o, a in zip(onset_s, size, strict=True))
        np.testing.assert_allclose(made.skin[row] * 0.001, planted, atol=0.002)


def test_arousal_narrows_the_pulse_and_cools_late() -> None:
    """Amplitude falls with arousal (vasoconstriction), temperature follows some 15 s later (Kistler et al. 1998)."""
    storm = Moment(60.0, 1.0, 60.0, 1.0, 1.0)
    programme = Programme("Storm", 140.0, (EveningPart(0.0, "rest", ""),), (storm,))
    house = Audience(50, 8, programme, traits=CLEAN)
    made = house.signals(0.0, 140.0)
    calm = made.pulse[:, 30 * PULSE_HZ : 50 * PULSE_HZ].astype(np.float64).std(axis=1)
    tense = made.pulse[:, 70 * PULSE_HZ : 90 * PULSE_HZ].astype(np.float64).std(axis=1)
    assert (tense < 0.95 * calm).mean() > 0.9
    drop = made.temperature[:, 60:61].astype(np.float64) - made.temperature[:, 60:118]
    share = (drop / drop[:, -1:]).mean(axis=0)
    assert 12.0 < np.argmax(share > 0.63) < 21.0  # 15 s behind a delay of 1 to 3 s


def test_blanks_show_the_show_and_nothing_else() -> None:
    light = Happening("light", 20.0, 40.0, 1.0, 1.0)
    roles = ["audience"] * 5 + ["blank"] * 5
    house = Audience(10, 3, demo().with_happenings(light), traits=CLEAN, roles=roles)
    made = house.signals(0.0, 60.0)
    dark = made.pulse[5:, : 20 * PULSE_HZ].astype(np.float64).std(axis=1)
    lit = made.pulse[5:, 20 * PULSE_HZ : 40 * PULSE_HZ].astype(np.float64).std(axis=1)
    assert (lit > 10 * dark).all()
    assert (made.skin[5:] < 50).all()
    assert not house.truth(30.0).contact[5:].any()
    assert (house.truth(33.0).felt[5:] == 0).all()


def test_applause_moves_everyone_and_reseats_the_sensors() -> None:
    programme = demo().with_happenings(Happening("applause", 40.0, 50.0))
    house = Audience(30, 3, programme, traits=CLEAN, motion=True)
    assert house.truth(45.0).disturbed.all()
    assert not house.truth(39.0).disturbed.any()
    assert not house.truth(51.0).contact.any()
    assert house.truth(55.0).contact.all()
    made = house.signals(0.0, 60.0).motion
    assert made is not None
    assert (made[:, 41 * 16 : 49 * 16].std(axis=1) > 10 * made[:, : 39 * 16].std(axis=1)).all()


def test_bad_sensors_are_the_stated_share() -> None:
    house = Audience(3000, 3, demo(), traits=Traits(bad_share=0.3))
    assert (house.people.fault > 0).mean() == pytest.approx(0.3, abs=0.03)
    stuck = np.flatnonzero(house.people.fault == 2)[:3]
    assert (np.diff(house.signals(0.0, 5.0, stuck).pulse.astype(int), axis=1) == 0).all()


def test_dropping_phones_go_and_return() -> None:
    house = Audience(100, 3, still(600.0), traits=Traits(dropout_share=0.5))
    there = np.array([house.online(float(t)) for t in range(600)])
    drops = ~there.all(axis=0)
    assert 0.35 < drops.mean() < 0.6
    assert there[:, drops].any(axis=0).all()
    lengths = [len(run) for row in there.T for run in "".join("x" if on else "." for on in row).split("x") if run]
    assert max(lengths) <= 20
    assert min(lengths) >= 2


def test_house_truth_follows_the_programme() -> None:
    house = Audience(400, 3, demo(), traits=REAL)
    felt = house.truth_house(np.arange(0.0, 60.0, 1.0))
    assert felt[:28].max() < 0.05
    assert 0.9 < felt[33] < 1.1
    assert felt[45:].max() < 0.05
    assert float(house.truth_house(33.0)) == pytest.approx(felt[33])


def test_shares_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="bad_share"):
        Traits(bad_share=1.2)

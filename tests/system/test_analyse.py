"""``ripieno analyse`` against known truth, through its tables alone: options, pulse, times, confidence.

Figures of merit are the project's own gates. Wave forms: the load test's beat at any sampling times, and neurokit2's
``ppg_simulate`` (independent of us).
"""

from __future__ import annotations

import functools
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pytest

from aggregator.command import main
from loadtest.shapes import TEMPLATE, TEMPLATE_STEPS
from tests.aggregator.helper_pulse import beat_times, motion, pulse_wave
from tests.system.helper_analyse import TRUSTED, Analysed, Array, analyse, write

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library's own deprecations
    import neurokit2

RATES_BPM = (45.0, 60.0, 80.0, 105.0, 130.0, 150.0)
PLATEAU_S, SETTLED_S = 25.0, 13.0  # a new rate is followed within 11 s, and the rate is a mean of 8 intervals
REST = ("--resting", "0:20")


def staircase(t_s: Array, seed: int = 0) -> Array:
    """A finger's pulse that stays at each of RATES_BPM for PLATEAU_S, at any times; breath and sensor noise on it."""
    knots = np.arange(0.0, len(RATES_BPM) * PLATEAU_S, 0.005)
    rate = np.asarray(RATES_BPM)[(knots / PLATEAU_S).astype(np.intp)]
    turns = np.interp(t_s, knots, np.cumsum(rate) * 0.005 / 60.0)
    noise = 12.0 * np.random.default_rng(seed).normal(size=len(t_s))
    beat = TEMPLATE[(np.mod(turns, 1.0) * TEMPLATE_STEPS).astype(np.intp)]
    made: Array = 4000.0 + 1200.0 * beat + 120.0 * np.sin(2 * np.pi * 0.25 * t_s) + noise
    return made


def even(hz: float, length_s: float) -> Array:
    made: Array = np.arange(round(length_s * hz)) / hz
    return made


def camera(length_s: float) -> Array:
    """Picture times of a phone's camera: 29 to 31 a second, now and then one is missing."""
    rng = np.random.default_rng(2)
    t_s = np.cumsum(rng.uniform(1 / 31, 1 / 29, round(length_s * 30)))
    made: Array = t_s[(t_s < length_s) & (rng.random(len(t_s)) > 0.01)]
    return made


def plateau_errors(got: Analysed) -> list[float]:
    """Mean error of each plateau's settled points, trusted ones; none may be left out."""
    errors = []
    for i, bpm in enumerate(RATES_BPM):
        there = (got["time_s"] >= i * PLATEAU_S + SETTLED_S) & (got["time_s"] < (i + 1) * PLATEAU_S)
        assert (got["pulse_quality"][there] >= TRUSTED).all()
        errors.append(float(np.mean(np.abs(got["pulse_rate_bpm"][there] - bpm))))
    return errors


@pytest.mark.parametrize("hz", [25.0, 64.0, 100.0])
def test_a_clean_pulse_of_45_to_150_bpm_is_within_1_bpm(tmp_path: Path, hz: float) -> None:
    t_s = even(hz, len(RATES_BPM) * PLATEAU_S)
    got = analyse(tmp_path, {"red": staircase(t_s)}, "--rate", f"{hz:g}", "--ppg", "red", *REST, tick_hz=2)
    assert max(plateau_errors(got)) <= 1.0


@pytest.mark.parametrize("inverted", [False, True])
def test_a_cameras_irregular_times_in_milliseconds(tmp_path: Path, inverted: bool) -> None:
    t_s = camera(len(RATES_BPM) * PLATEAU_S)
    red = staircase(t_s) * (-1.0 if inverted else 1.0)
    options = ["--time", "ms", "--time-unit", "ms", "--ppg", "R", "--resting", "1700000000:1700000020"]
    options += ["--invert-ppg"] if inverted else []
    got = analyse(tmp_path, {"ms": 1.7e12 + t_s * 1000.0, "R": red}, *options, tick_hz=2)
    shifted = Analysed(
        {**got.rows, "time_s": got["time_s"] - 1.7e9},
        got.state, got.beats, got.intervals_s, got.responses, got.amplitudes_us,
    )  # fmt: skip
    assert max(plateau_errors(shifted)) <= 1.0


@pytest.mark.parametrize("bpm", [45, 72, 100, 150])
def test_neurokit2s_simulated_pulse_is_within_1_bpm(tmp_path: Path, bpm: int) -> None:
    """neurokit2 0.2.13 ``ppg_simulate``, steady rate (its irregular forms jitter by the sample, at any rate asked)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        x = neurokit2.ppg_simulate(
            duration=30, sampling_rate=100, heart_rate=bpm, ibi_randomness=0, frequency_modulation=0, random_state=3
        )
    got = analyse(tmp_path, {"x": np.asarray(x)}, "--rate", "100", "--ppg", "x", *REST, tick_hz=2)
    late = got["time_s"] > SETTLED_S
    assert (got["pulse_quality"][late] >= TRUSTED).all()
    assert np.abs(got["pulse_rate_bpm"][late] - bpm).max() <= 1.0
    assert 60.0 / np.median(got.intervals_s[2:]) == pytest.approx(bpm, abs=1.0)


def test_under_20_per_cent_motion_trusted_points_hold(tmp_path: Path) -> None:
    """Over eight people, as the gate is a share: with one of them (seed 2) some seconds of shaking pass for a pulse."""
    errors, share = [], []
    for seed in range(1, 9):
        bpm = (60.0, 75.0, 100.0, 130.0)[seed % 4]
        rng = np.random.default_rng(seed)
        length = 64 * 120
        moved, _ = motion(length, rng, share=0.2)
        wave = pulse_wave(beat_times(np.full(length, bpm), rng, jitter=0.03), length) + 0.05 * rng.normal(size=length)
        options = ("--rate", "64", "--ppg", "x", *REST)
        got = analyse(tmp_path, {"x": 3000.0 + 500.0 * (wave + moved)}, *options, tick_hz=2)
        trusted = got["pulse_quality"] >= TRUSTED
        share.append(float(trusted.mean()))
        errors.append(np.abs(got["pulse_rate_bpm"][trusted] - bpm))
    error = np.concatenate(errors)
    assert error.mean() <= 1.5
    assert np.mean(error > 5.0) <= 0.03
    assert min(share) > 0.5, "to trust nothing would be honest, and of no use"


@functools.cache
def three_channels() -> tuple[Analysed, Array]:
    """150 s of a calm person at 64 rows a second, skin in every eighth row and temperature in every 64th; the first
    row is at 500 s. From 120 s on the pulse is quicker and the skin up."""
    t_s = even(64.0, 150.0)
    rng = np.random.default_rng(5)
    excited = t_s >= 120.0
    turns = np.cumsum(np.where(excited, 90.0, 66.0) * (1.0 + 0.02 * np.sin(1.5 * t_s))) / 64.0 / 60.0
    pulse = 1000.0 * TEMPLATE[(np.mod(turns, 1.0) * TEMPLATE_STEPS).astype(np.intp)] + 5.0 * rng.normal(size=len(t_s))
    skin = 5.0 + 0.05 * np.sin(t_s / 9.0) + np.where(excited, 2.0 * (1 - np.exp(-(t_s - 120.0).clip(0) / 4.0)), 0.0)
    skin += rng.normal(0, 0.004, len(t_s))
    warm = 33.5 + 0.02 * np.sin(t_s / 11.0)
    row = np.arange(len(t_s))
    columns = {
        "when": 500.0 + t_s,
        "red": pulse,
        "eda": np.where(row % 8 == 0, skin, np.nan),
        "temp": np.where(row % 64 == 0, warm, np.nan),
    }
    options = ("--time", "when", "--ppg", "red", "--eda", "eda", "--temperature", "temp", "--resting", "500:615")
    with tempfile.TemporaryDirectory() as directory:
        return analyse(Path(directory), columns, *options), 500.0 + t_s


def test_times_are_the_recordings() -> None:
    got, t_s = three_channels()
    rows = got["time_s"]
    assert np.diff(rows) == pytest.approx(0.25, abs=0.002)
    assert t_s[0] < rows[0] <= t_s[0] + 0.5
    assert t_s[-1] <= rows[-1] <= t_s[-1] + 0.5
    assert ((got.beats >= t_s[0]) & (got.beats <= t_s[-1])).all()
    assert (np.diff(got.beats) > 0.3).all()
    steps = np.diff(got.beats[got.beats < 619.0])
    assert np.median(steps) == pytest.approx(60.0 / 66.0, abs=0.02)
    assert np.nanmedian(np.abs(got.intervals_s[1:] - np.diff(got.beats))) <= 0.002


def test_columns_filled_in_every_eighth_row_are_slower_channels() -> None:
    got, _ = three_channels()
    late = got["time_s"] > 520.0
    assert np.abs(got["temperature_c"][late] - 33.5).max() < 0.1
    assert np.abs(got["skin_level_us"][late & (got["time_s"] < 619.0)] - 5.0).max() < 0.15


def test_arousal_means_what_the_show_engine_gets() -> None:
    """Contract: 0.5 is the person's own rest; confidence is 0 before anything is known, high after a placed rest."""
    got, _ = three_channels()
    t_s, arousal, confidence = got["time_s"], got["arousal"], got["confidence"]
    assert not np.isnan(arousal).any()
    assert not np.isnan(confidence).any()
    assert (confidence[t_s < 505.0] < 0.05).all()
    rest = (t_s > 575.0) & (t_s < 618.0)
    assert np.abs(arousal[rest] - 0.5).max() < 0.08
    assert confidence[(t_s > 619.0) & (t_s < 620.0)].min() > 0.75
    assert arousal[t_s > 640.0].min() > 0.7
    assert np.abs(np.diff(arousal)).max() <= 0.5 * 0.25 + 1e-4, "never more than 0.5 a second"
    assert got.state[0] == "settling"
    assert {"resting", "following"} <= set(got.state)
    assert got.state[-1] == "following"


def test_without_a_placed_rest_nothing_is_trusted_above_half(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    t_s = even(64.0, 100.0)
    turns = 1.2 * t_s + 0.1 * np.sin(t_s)
    pulse = TEMPLATE[(np.mod(turns, 1.0) * TEMPLATE_STEPS).astype(np.intp)]
    skin = 6.0 + 0.1 * np.sin(t_s / 8.0) + np.random.default_rng(0).normal(0, 0.004, len(t_s))
    columns = {"p": pulse, "e": skin}
    options = ("--rate", "64", "--ppg", "p", "--eda", "e")
    free = analyse(tmp_path, columns, *options, tick_hz=2)
    told = capsys.readouterr().err
    assert "first 60 s serve as rest" in told
    assert "at or below 0.5" in told
    assert 0.4 < free["confidence"].max() <= 0.5
    placed = analyse(tmp_path, columns, *options, "--resting", "0:60", tick_hz=2)
    assert "--resting" not in capsys.readouterr().err
    assert placed["confidence"].max() > 0.6
    assert (placed["arousal"] == free["arousal"]).all(), "the same seconds serve; only the trust differs"


def test_empty_cells_are_missing_samples_not_missing_time(tmp_path: Path) -> None:
    t_s = even(64.0, 60.0)
    x = TEMPLATE[(np.mod(1.2 * t_s, 1.0) * TEMPLATE_STEPS).astype(np.intp)]
    x[(t_s >= 25.0) & (t_s < 33.0)] = np.nan
    x[::97] = np.nan  # single ones are bridged
    got = analyse(tmp_path, {"x": x}, "--rate", "64", "--ppg", "x", *REST)
    assert got["time_s"][-1] >= 60.0
    lost = (got["time_s"] > 30.0) & (got["time_s"] < 33.0)
    assert (np.diff(got["confidence"][lost]) < 0).all(), "a lost signal only fades"
    assert got["confidence"][lost][-1] < 0.6 * got["confidence"].max()
    assert {got.state[i] for i in np.flatnonzero(lost)} <= {"held", "fading", "no contact"}
    assert not ((got.beats > 25.1) & (got.beats < 33.0)).any()
    back = got["time_s"] > 45.0
    assert (got["pulse_quality"][back] >= TRUSTED).all()
    assert np.abs(got["pulse_rate_bpm"][back] - 72.0).max() <= 1.0
    whole = np.round(np.diff(got.beats) * 1.2)  # beats lost with the cells: the later ones keep their time
    assert np.abs(np.diff(got.beats) - whole / 1.2).max() < 0.03


def test_any_number_of_channels_at_any_rate_fits_into_packets(tmp_path: Path) -> None:
    """A laboratory's file: three columns at 2048 rows a second, with and without a time column."""
    t_s = even(2048.0, 16.0)
    columns = {"t": t_s, "p": np.sin(2 * np.pi * 1.2 * t_s), "e": 5.0 + 0.0 * t_s, "c": 33.0 + 0.0 * t_s}
    names = ("--ppg", "p", "--eda", "e", "--temperature", "c")
    for when in (("--rate", "2048"), ("--time", "t")):
        got = analyse(tmp_path, columns, *when, *names, tick_hz=1)
        assert got["pulse_rate_bpm"][-1] == pytest.approx(72.0, abs=0.5)
        assert got["skin_level_us"][-1] == pytest.approx(5.0, abs=0.01)
        assert got["temperature_c"][-1] == pytest.approx(33.0, abs=0.01)


def test_a_rest_longer_than_two_minutes_is_allowed(tmp_path: Path) -> None:
    t_s = even(8.0, 170.0)
    skin = 6.0 + 0.1 * np.sin(t_s / 8.0)
    got = analyse(tmp_path, {"e": skin}, "--rate", "8", "--eda", "e", "--resting", "0:150", tick_hz=1)
    assert got["confidence"].max() > 0.6


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--rate", "8", "--ppg", "x"), "at least 10"),
        (("--rate", "9000", "--ppg", "x"), "allowed"),
        (("--rate", "64"), "nothing to analyse"),
        (("--rate", "64", "--ppg", "y"), "no column 'y'"),
        (("--rate", "64", "--ppg", "empty"), "at least two"),
        (("--rate", "64", "--ppg", "x", "--resting", "0:5"), "at least 10 s"),
        (("--rate", "64", "--ppg", "x", "--resting", "soon"), "START:END"),
        (("--rate", "64", "--ppg", "x", "--tick-hz", "50"), "allowed 1..44"),
    ],
)
def test_mistakes_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], said: str
) -> None:
    x = np.sin(even(64.0, 20.0))
    source = write(tmp_path / "x.csv", {"x": x, "empty": np.full(len(x), np.nan)})
    assert main(["analyse", str(source), *options]) != 0
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told

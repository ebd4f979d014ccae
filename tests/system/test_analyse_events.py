"""``ripieno analyse``'s events against recordings and known skin responses, and the age of what its rows show.

Records, as in the kernel's own tests: heartpy 1.2.7's third example (682 s at ~100.4 Hz) against neurokit2's beats;
pyphysio 4.10's ``medical.txt.bz2`` (2048 Hz, one clock): its ECG's R peaks are the truth for its pulse. One to one
within 150 ms after the record's median delay; the first 1.5 s (the detector's windows) and the last second (not yet
decided) are not asked for.
"""

from __future__ import annotations

import bz2
import importlib.util
import warnings
from pathlib import Path

import numpy as np
import pytest

from tests.aggregator.helper_channels import match, skin_train
from tests.system.helper_analyse import Analysed, Array, analyse, pairs

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the libraries' own deprecations
    import heartpy
    import neurokit2

TOLERANCE_S, WARM_S, UNDECIDED_S = 0.15, 1.5, 1.0
FAST, SLUGGISH = (0.75, 2.5), (1.5, 8.0)


def agreement(ours_s: Array, reference_s: Array, expected_delay_s: float, end_s: float) -> tuple[float, float]:
    """Sensitivity and positive predictivity after the median delay of pairs near the expected one."""
    nearest = reference_s[np.argmin(np.abs(ours_s[:, None] - expected_delay_s - reference_s), axis=1)]
    delays = ours_s - nearest
    ours_s = ours_s - np.median(delays[np.abs(delays - expected_delay_s) < 0.25])
    asked = reference_s[(reference_s > WARM_S) & (reference_s < end_s - UNDECIDED_S)]
    judged = ours_s[(ours_s > WARM_S) & (ours_s < reference_s[-1] + TOLERANCE_S)]
    return pairs(ours_s, asked, TOLERANCE_S) / len(asked), pairs(judged, reference_s, TOLERANCE_S) / len(judged)


def test_beats_of_heartpys_long_record_are_neurokit2s(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        values, timer = heartpy.load_exampledata(2)
        hz = float(heartpy.get_samplerate_datetime(timer, timeformat="%Y-%m-%d %H:%M:%S.%f"))
        cleaned = neurokit2.ppg_clean(values, sampling_rate=hz)
        reference = np.asarray(neurokit2.ppg_findpeaks(cleaned, sampling_rate=hz)["PPG_Peaks"]) / hz
    got = analyse(tmp_path, {"x": np.asarray(values, float)}, "--rate", repr(hz), "--ppg", "x", tick_hz=1)
    sensitivity, predictivity = agreement(got.beats, reference, 0.05, len(values) / hz)
    assert len(reference) > 1000
    assert sensitivity >= 0.98
    assert predictivity >= 0.98


def test_beats_of_pyphysios_record_are_its_ecgs(tmp_path: Path) -> None:
    spec = importlib.util.find_spec("pyphysio")
    assert spec is not None
    assert spec.origin is not None
    with bz2.open(Path(spec.origin).parent / "test_data" / "medical.txt.bz2", "rt") as file:
        record = np.loadtxt(file)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cleaned = neurokit2.ecg_clean(record[:, 0], sampling_rate=2048)
        peaks = np.asarray(neurokit2.ecg_peaks(cleaned, sampling_rate=2048)[1]["ECG_R_Peaks"]) / 2048.0
    got = analyse(tmp_path, {"bvp": record[::8, 2]}, "--rate", "256", "--ppg", "bvp", tick_hz=1)
    sensitivity, predictivity = agreement(got.beats, peaks, 0.4, len(record) / 2048.0)
    assert len(peaks) > 130
    assert sensitivity >= 0.95
    assert predictivity >= 0.95


def skin_only(tmp_path: Path, x: Array, rate_hz: float = 8.0, tick_hz: float = 1.0) -> Analysed:
    return analyse(tmp_path, {"eda": x}, "--rate", f"{rate_hz:g}", "--eda", "eda", "--resting", "0:60", tick_hz=tick_hz)


@pytest.mark.parametrize(
    ("a_minute", "shape_s", "seconds", "seeds", "least_recall"),
    [(4, FAST, 1200, (1,), 0.85), (4, SLUGGISH, 1200, (1, 2, 3), 0.75), (10, FAST, 600, (1, 2), 0.75)],
)
def test_skin_responses_of_bateman_trains(
    tmp_path: Path,
    a_minute: int,
    shape_s: tuple[float, float],
    seconds: int,
    seeds: tuple[int, ...],
    least_recall: float,
) -> None:
    """Noise 0.004 uS, amplitudes from 0.05 uS; shapes on both sides of Greco et al. 2016, Benedek & Kaernbach 2010."""
    hits = false = missed = 0
    for seed in seeds:
        train = skin_train(1, seconds, a_minute, shape_s, seed=seed)
        got = skin_only(tmp_path, train.x[:, 0])
        h, f, m = match(got.responses.tolist(), train.onset_s[0])
        hits, false, missed = hits + h, false + f, missed + m
        assert got["skin_responses"].max() > 0
    assert hits + missed > 60
    assert hits / (hits + false) >= 0.95
    assert hits / (hits + missed) >= least_recall


def spoiled(rng: np.random.Generator, kind: str, t_s: Array, at_s: float) -> Array:
    """What one artefact multiplies skin conductance by; NaN where nothing arrives."""
    new = rng.choice([rng.uniform(0.6, 0.95), rng.uniform(1.06, 1.5)])
    made: Array = np.ones(len(t_s))
    if kind == "step":
        made[t_s >= at_s] = new
    elif kind == "slip":
        since = np.maximum(t_s - at_s, 0.0)
        made -= (t_s >= at_s) * rng.uniform(0.1, 0.9) * np.exp(-since / rng.uniform(0.3, 3.0))
    else:
        until_s = at_s + rng.uniform(0.6, 6.0)
        made[t_s >= at_s] = new
        made[(t_s >= at_s) & (t_s < until_s)] = np.nan
    return made


def test_no_response_is_made_of_100_steps_slips_and_gaps(tmp_path: Path) -> None:
    """The project's own gate, all in one recording: an artefact each 12 s, the level brought back by the next ones."""
    rng = np.random.default_rng(7)
    t_s: Array = np.arange(8 * (60 + 100 * 12)) / 8.0
    x: Array = np.full(len(t_s), 6.0)
    for number in range(100):
        at_s = 60.0 + 12.0 * number + rng.uniform(0.0, 1.0)
        factor = spoiled(rng, ("step", "slip", "gap")[number % 3], t_s, at_s)
        level = float(x[-1] * (1.0 if np.isnan(factor[-1]) else factor[-1]))
        if not 2.0 <= level <= 20.0 and factor[-1] != 1.0:
            after = t_s >= at_s
            factor = np.where(after & np.isfinite(factor), factor * 6.0 / level, factor)
        x *= factor
    got = skin_only(tmp_path, x + rng.normal(0, 0.004, len(t_s)))
    assert got.responses.tolist() == []
    assert got["skin_responses"].max() == 0
    assert np.nanmean(np.isfinite(got["skin_level_us"])) > 0.9


def test_age_of_a_skin_response_when_it_is_published(tmp_path: Path) -> None:
    """Method card: decided 0.9-1.7 s after its onset, the grid adds 62 ms, packets of a quarter second and a tick."""
    t_s: Array = np.arange(8 * 120) / 8.0
    train = skin_train(1, 120, 6, FAST, seed=3)
    got = skin_only(tmp_path, train.x[:, 0][: len(t_s)], tick_hz=20.0)
    assert len(got.responses) >= 6
    count = got["skin_responses"]
    for number, onset_s in enumerate(got.responses, start=1):
        age_s = got["time_s"][np.argmax(count >= number)] - onset_s
        assert 0.9 <= age_s <= 1.7 + 0.062 + 0.25 + 0.1


def test_age_of_the_pulse_rate_when_it_is_published(tmp_path: Path) -> None:
    """Method card's table: 4 s to most of a change; a step is followed wholly within 11 s (IEC 60601-2-27's test)."""
    t_s: Array = np.arange(64 * 70) / 64.0
    turns = np.cumsum(np.where(t_s < 45.0, 66.0, 84.0)) / 64.0 / 60.0
    x = np.sin(2 * np.pi * turns) + 0.4 * np.sin(4 * np.pi * turns + 0.9)
    got = analyse(tmp_path, {"x": x}, "--rate", "64", "--ppg", "x", "--resting", "0:40", tick_hz=10)
    rate, at_s = got["pulse_rate_bpm"], got["time_s"]
    most = at_s[(at_s > 45.0) & (rate > 66.0 + 0.63 * 18.0)][0]
    assert 1.0 <= most - 45.0 <= 5.5
    assert np.abs(rate[at_s >= 56.0] - 84.0).max() <= 1.0


def test_age_of_temperature_when_it_is_published(tmp_path: Path) -> None:
    """Method card: the mean adds 5 s to what the finger itself lags (15 s, Kistler et al. 1998)."""
    t_s: Array = np.arange(4 * 120) / 4.0
    x = 33.0 - 0.02 * np.clip(t_s - 60.0, 0.0, 30.0)
    got = analyse(tmp_path, {"c": x}, "--rate", "4", "--temperature", "c", "--resting", "0:50", tick_hz=4)
    ramp = (got["time_s"] > 80.0) & (got["time_s"] < 90.0)
    late_s = (got["temperature_c"][ramp] - (33.0 - 0.02 * (got["time_s"][ramp] - 60.0))) / 0.02
    assert late_s.min() >= 4.0
    assert late_s.max() <= 7.0

"""Beats on recorded pulses against independent references: neurokit2, heartpy, and the ECG of the same heart.

Records: heartpy 1.2.7 ships three finger pulses (24.8 s at 100 Hz; 128 s, noisy; 682 s at ~100.4 Hz); pyphysio 4.10
ships ``medical.txt.bz2``, 120 s at 2048 Hz, ECG in column 0 and a pulse in column 2. One to one within 150 ms after
taking off the record's median delay; the reference's first beats, before the detector has seen its windows, and its
last ones, not yet decided, are not asked for.
"""

import bz2
import importlib.util
import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.aggregator.helper_pulse import Array, Run, on_grid, stream

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the libraries' own deprecations
    import heartpy
    import neurokit2

TOLERANCE_S = 0.15
WARM_S, UNDECIDED_S = 1.5, 1.0


def _heartpy(number: int) -> tuple[Array, float]:
    values, timer = heartpy.load_exampledata(number)
    if number == 0:
        return np.asarray(values, float), 100.0
    if number == 1:
        return np.asarray(values, float), float(heartpy.get_samplerate_mstimer(timer))
    rate = heartpy.get_samplerate_datetime(timer, timeformat="%Y-%m-%d %H:%M:%S.%f")
    return np.asarray(values, float), float(rate)


@cache
def _record(number: int) -> tuple[Run, Array]:
    """Our run over one of heartpy's records, and neurokit2's beats, s."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        values, hz = _heartpy(number)
        cleaned = neurokit2.ppg_clean(values, sampling_rate=hz)
        beats = neurokit2.ppg_findpeaks(cleaned, sampling_rate=hz)["PPG_Peaks"] / hz
    return stream(on_grid(values, np.arange(len(values)) / hz)[:, None]), np.asarray(beats)


def _pairs(ours_s: Array, reference_s: Array) -> int:
    """Greatest number of one-to-one pairs within the tolerance, both sorted."""
    i = j = pairs = 0
    while i < len(ours_s) and j < len(reference_s):
        apart = ours_s[i] - reference_s[j]
        if abs(apart) <= TOLERANCE_S:
            pairs, i, j = pairs + 1, i + 1, j + 1
        elif apart < 0:
            i += 1
        else:
            j += 1
    return pairs


def _agreement(ours_s: Array, reference_s: Array, expected_delay_s: float, end_s: float) -> tuple[float, float]:
    """Sensitivity and positive predictivity; the median delay is taken from pairs near the expected one."""
    nearest = reference_s[np.argmin(np.abs(ours_s[:, None] - expected_delay_s - reference_s), axis=1)]
    delays = ours_s - nearest
    ours_s = ours_s - np.median(delays[np.abs(delays - expected_delay_s) < 0.25])
    asked = reference_s[(reference_s > WARM_S) & (reference_s < end_s - UNDECIDED_S)]
    judged = ours_s[(ours_s > WARM_S) & (ours_s < reference_s[-1] + TOLERANCE_S)]
    return _pairs(ours_s, asked) / len(asked), _pairs(judged, reference_s) / len(judged)


def test_long_finger_record_against_neurokit2() -> None:
    run, reference = _record(2)
    sensitivity, predictivity = _agreement(run.events.index / 64.0, reference, 0.05, run.at_s[-1])
    assert sensitivity >= 0.98
    assert predictivity >= 0.98


def test_short_finger_record_against_neurokit2() -> None:
    run, reference = _record(0)
    sensitivity, predictivity = _agreement(run.events.index / 64.0, reference, 0.05, run.at_s[-1])
    assert sensitivity >= 0.95
    assert predictivity >= 0.95


def test_noisy_finger_record_where_trusted_against_heartpy() -> None:
    # the references disagree on this record (neurokit2 129 beats, heartpy 110, of which it rejects 26): rates only
    run, _ = _record(1)
    values, hz = _heartpy(1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        working, _ = heartpy.process(values, hz)
    beats = np.asarray(working["peaklist"])[np.asarray(working["binary_peaklist"]) == 1] / hz
    truth = _rates(beats, run.at_s)
    error = np.abs(run.trace["rate_bpm"][:, 0] - truth)[(run.trace["quality"][:, 0] >= 0.5) & np.isfinite(truth)]
    assert len(error) > 50
    assert np.median(error) <= 3.0


def test_long_finger_record_streamed_rate() -> None:
    run, reference = _record(2)
    truth = _rates(reference, run.at_s)
    known = np.isfinite(truth) & np.isfinite(run.trace["rate_bpm"][:, 0])
    assert np.mean(known) > 0.9
    assert np.mean(np.abs(run.trace["rate_bpm"][known, 0] - truth[known]) <= 3.0) >= 0.7


def _rates(beats_s: Array, at_s: Array) -> Array:
    rates = np.full(len(at_s), np.nan)
    for i, t in enumerate(at_s):
        intervals = np.diff(beats_s[(beats_s > t - 8.0) & (beats_s <= t)])
        if len(intervals) >= 3:
            rates[i] = 60.0 / np.median(intervals)
    return rates


@pytest.mark.parametrize("number", [0, 2])
def test_turned_upside_down_the_polarity_is_found(number: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        values, hz = _heartpy(number)
    upright = on_grid(values, np.arange(len(values)) / hz)[: 60 * 64]
    run = stream(np.stack([upright, -upright], axis=1))
    assert list(run.state.polarity) == [1, -1]


def test_pulse_against_the_ecg_of_the_same_heart() -> None:
    spec = importlib.util.find_spec("pyphysio")
    assert spec is not None
    assert spec.origin is not None
    with bz2.open(Path(spec.origin).parent / "test_data" / "medical.txt.bz2", "rt") as file:
        record = np.loadtxt(file)
    times = np.arange(len(record)) / 2048.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cleaned = neurokit2.ecg_clean(record[:, 0], sampling_rate=2048)
        peaks = neurokit2.ecg_peaks(cleaned, sampling_rate=2048)[1]["ECG_R_Peaks"] / 2048.0
    run = stream(on_grid(record[:, 2], times)[:, None])
    sensitivity, predictivity = _agreement(run.events.index / 64.0, np.asarray(peaks), 0.4, run.at_s[-1])
    assert sensitivity >= 0.95
    assert predictivity >= 0.95

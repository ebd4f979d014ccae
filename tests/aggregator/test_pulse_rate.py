"""Rates, quality and variability against known truth, and the figures that the docs claim to respect."""

import numpy as np
import pytest

from aggregator.dsp.grid import PULSE_HZ
from aggregator.dsp.pulse import PulseState, update
from aggregator.dsp.pulse_beats import successive_differences
from tests.aggregator.helper_pulse import Array, Run, beat_times, block, motion, on_grid, pulse_wave, stream


def _rates(beats_s: Array, at_s: Array, window_s: float = 8.0) -> Array:
    """60 / median interval of the beats of the last seconds: the truth that a rate can know at a time."""
    rates = np.full(len(at_s), np.nan)
    for i, t in enumerate(at_s):
        intervals = np.diff(beats_s[(beats_s > t - window_s) & (beats_s <= t)])
        if len(intervals) >= 3:
            rates[i] = 60.0 / np.median(intervals)
    return rates


def _simulated(moved: float, noise: float, seed: int, listeners: int = 22, seconds: int = 90) -> tuple[Run, Array]:
    """Rates 45-150 bpm with breathing, any dicrotic bump, amplitude (1e-3..1e3), offset and polarity."""
    rng = np.random.default_rng(seed)
    length, waves, truths = seconds * PULSE_HZ, [], []
    for bpm in np.linspace(45, 150, listeners):
        beats = beat_times(bpm + 3 * np.sin(np.arange(length) / PULSE_HZ / 10 + bpm), rng, jitter=0.02)
        wave = pulse_wave(beats, length, bump=rng.uniform(0.0, 0.55)) + noise * rng.normal(size=length)
        if moved:
            wave += motion(length, rng, share=moved)[0]
        waves.append(rng.choice([-1.0, 1.0]) * 10 ** rng.uniform(-3, 3) * wave + 1000 * rng.normal())
        truths.append(beats)
    run = stream(np.array(waves).T)
    return run, np.array([_rates(beats, run.at_s) for beats in truths]).T


def _trusted(run: Run, truth: Array) -> Array:
    error = np.abs(run.trace["rate_bpm"] - truth)
    return error[(run.trace["quality"] >= 0.5) & np.isfinite(error)]


def test_clean_pulse_is_within_1_bpm_from_45_to_150() -> None:
    run, truth = _simulated(0.0, 0.03, 1)
    error = np.abs(run.trace["rate_bpm"] - truth)
    assert np.max(np.nanmean(error, axis=0)) <= 1.0
    assert np.mean(run.trace["quality"][run.at_s > 15.0] >= 0.5) > 0.95


def test_heavy_noise_keeps_the_rate() -> None:
    run, truth = _simulated(0.0, 0.25, 2)
    assert np.mean(_trusted(run, truth)) <= 1.0


@pytest.mark.parametrize("seed", [3, 4])
def test_under_20_per_cent_motion_trusted_points_hold(seed: int) -> None:
    run, truth = _simulated(0.2, 0.03, seed)
    error = _trusted(run, truth)
    assert np.mean(error) <= 1.5
    assert np.mean(error > 5.0) <= 0.03
    assert len(error) > 0.5 * truth.size  # trust nothing would be honest, and of no use


def _steps(low: float, high: float) -> tuple[Run, float]:
    rng = np.random.default_rng(5)
    rate = np.repeat([low, high], 30 * PULSE_HZ)
    beats = beat_times(rate, rng)
    wave = pulse_wave(beats, len(rate)) + 0.02 * rng.normal(size=len(rate))
    return stream(wave[:, None], chunk=8), 30.0


@pytest.mark.parametrize(("low", "high"), [(80.0, 120.0), (80.0, 40.0)])
def test_rate_steps_are_followed_within_11_s(low: float, high: float) -> None:
    # IEC 60601-2-27 asks for the time to the new rate; 11 s is this project's bound (REFERENCES)
    run, step_s = _steps(low, high)
    off = np.abs(run.trace["rate_bpm"][:, 0] - high) > 5.0
    assert not off[run.at_s >= step_s + 11.0].any()
    assert np.nanmedian(run.trace["rate_bpm"][(run.at_s > 15) & (run.at_s < step_s), 0]) == pytest.approx(low, abs=1)


def test_first_trustworthy_rate_comes_4_to_11_s_after_contact() -> None:
    # MEASUREMENTS of the prototypes: 4-11 s
    run, _ = _simulated(0.0, 0.03, 6)
    first_s = run.at_s[np.argmax(run.trace["quality"] >= 0.5, axis=0)]
    assert first_s.min() >= 3.5
    assert first_s.max() <= 11.0


@pytest.mark.parametrize(("hz", "jitter_s"), [(25.0, 0.0), (30.0, 0.008), (50.0, 0.0), (100.0, 0.0)])
def test_sensor_rates_and_irregular_camera_times(hz: float, jitter_s: float) -> None:
    rng = np.random.default_rng(7)
    fine = pulse_wave(beat_times(np.full(60 * PULSE_HZ, 72.0), rng, jitter=0.01), 60 * PULSE_HZ)
    times = np.sort(np.arange(0.0, 59.0, 1.0 / hz) + jitter_s * rng.uniform(-1, 1, int(np.ceil(59.0 * hz))))
    values = np.interp(times, np.arange(len(fine)) / PULSE_HZ, fine) + 0.02 * rng.normal(size=len(times))
    run = stream(on_grid(values, times)[:, None])
    late = run.at_s > 10.0
    assert np.median(run.trace["rate_bpm"][late, 0]) == pytest.approx(72.0, abs=1.0)
    assert np.mean(run.trace["quality"][late, 0] >= 0.5) > 0.9


def test_noise_drift_and_motion_alone_are_not_trusted() -> None:
    rng = np.random.default_rng(8)
    length = 120 * PULSE_HZ
    white = rng.normal(size=(length, 20))
    walk = np.cumsum(rng.normal(size=(length, 20)), axis=0)
    run = stream(np.concatenate([white, walk], axis=1))
    assert np.mean(run.trace["quality"][run.at_s > 10] >= 0.5) <= 0.05


def test_amplitude_follows_vasoconstriction_by_its_ratio() -> None:
    rng = np.random.default_rng(9)
    length = 60 * PULSE_HZ
    wave = pulse_wave(beat_times(np.full(length, 75.0), rng), length)
    size = np.where(np.arange(length) < length // 2, 1.0, 0.5)
    run = stream(np.stack([wave * size, -700.0 * wave * size], axis=1))
    before, after = run.trace["amplitude"][run.at_s == 29.0], run.trace["amplitude"][run.at_s == 59.0]
    assert np.log(after / before)[0] == pytest.approx(np.full(2, np.log(0.5)), abs=0.05)
    assert before[0, 1] / before[0, 0] == pytest.approx(700.0, rel=0.2)  # crest and foot differ when inverted


def test_rmssd_has_the_task_forces_arithmetic() -> None:
    # 800, 810, 790, 820, 780, 800 ms give RMSSD 26.077 ms (definitions: Task Force 1996, Eur Heart J 17:354-381)
    state = PulseState.allocate(1)
    row = np.array([0])
    for interval in (0.800, 0.810, 0.790, 0.820, 0.780, 0.800):
        successive_differences(state, row, np.array([interval]), np.array([0.8]))
    assert state.rmssd_ms[0] == pytest.approx(26.077, abs=5e-4)


def test_rmssd_of_a_known_pulse_and_its_confidence_below_2_minutes() -> None:
    # Shaffer & Ginsberg 2017, Front Public Health 5:258: short recordings are less reliable
    rng = np.random.default_rng(10)
    length = 180 * PULSE_HZ
    beats = beat_times(np.full(length, 65.0), rng, jitter=0.04)
    run = stream((pulse_wave(beats, length) + 0.005 * rng.normal(size=length))[:, None])
    truth = 1000.0 * np.sqrt(np.mean(np.diff(np.diff(beats)) ** 2))
    assert run.state.rmssd_ms[0] == pytest.approx(truth, rel=0.25)
    assert run.state.rmssd_confidence[0] > 0.9
    short = stream((pulse_wave(beats, length))[: 30 * PULSE_HZ, None])
    assert short.state.rmssd_confidence[0] < 0.5


def test_missing_and_extra_beats_do_not_move_the_rate() -> None:
    rng = np.random.default_rng(11)
    length = 90 * PULSE_HZ
    beats = beat_times(np.full(length, 70.0), rng, jitter=0.01)
    gone = np.delete(beats, np.arange(9, len(beats), 10))
    extra = np.sort(np.append(beats, beats[9::10] + 0.4 * 60 / 70))
    run = stream(np.stack([pulse_wave(gone, length, bump=0.2), pulse_wave(extra, length, bump=0.2)], axis=1))
    late = run.at_s > 10.0
    assert np.nanmedian(np.abs(run.trace["rate_bpm"][late] - 70.0)) <= 1.0
    clean = run.events.value[np.isfinite(run.events.value)]
    assert np.all(np.abs(clean - 60 / 70) < 0.3 * 60 / 70)


def test_dicrotic_bump_is_never_a_beat() -> None:
    rng = np.random.default_rng(12)
    length = 60 * PULSE_HZ
    for bpm in (50.0, 75.0, 110.0):
        beats = beat_times(np.full(length, bpm), rng, jitter=0.02)
        run = stream(pulse_wave(beats, length, bump=0.6)[:, None])
        assert abs(len(run.events.row) - len(beats)) <= 3


def test_feasible_pulse_is_40_to_180_bpm() -> None:
    # Orphanidou et al. 2015, IEEE JBHI 19(3):832-838
    rng = np.random.default_rng(13)
    length = 60 * PULSE_HZ
    rates = (32.0, 41.0, 60.0, 120.0, 176.0)
    run = stream(np.array([pulse_wave(beat_times(np.full(length, r), rng), length, bump=0.2) for r in rates]).T)
    values = run.events.value[np.isfinite(run.events.value)]
    assert values.min() >= 60 / 180 - 1 / PULSE_HZ
    assert values.max() <= 60 / 40 + 1 / PULSE_HZ
    assert not np.isfinite(run.events.value[run.events.row == 0]).any()
    assert run.state.rate_bpm[1:] == pytest.approx(rates[1:], abs=2.0)


def test_spectrum_does_not_depend_on_company() -> None:
    # np.fft works row by row; this holds the contract if that ever changes
    rng = np.random.default_rng(14)
    x = rng.normal(size=(12 * PULSE_HZ, 37))
    many, one = stream(x), stream(x[:, 5:6])
    assert one.state.spectral_confidence[0] == many.state.spectral_confidence[5]
    assert np.array_equal(one.trace["spectral_rate_bpm"][:, 0], many.trace["spectral_rate_bpm"][:, 5], equal_nan=True)


def test_a_fresh_row_knows_nothing() -> None:
    state = PulseState.allocate(2)
    update(state, block(np.ones((1, 2)), 0, restart=True))
    for name in ("rate_bpm", "interval_rate_bpm", "spectral_rate_bpm", "amplitude", "rmssd_ms", "last_beat_index"):
        assert np.isnan(getattr(state, name)).all()
    assert not state.quality.any()

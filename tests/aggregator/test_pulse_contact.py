"""Contact, clipping, gaps, restarts and polarity of the pulse chain."""

import numpy as np
import pytest

from aggregator.dsp.grid import PULSE_HZ
from aggregator.dsp.pulse import PulseState, update
from tests.aggregator.helper_pulse import Array, beat_times, block, pulse_wave, stream


def _pulse(seconds: int, bpm: float = 72.0, seed: int = 0, noise: float = 0.01) -> Array:
    rng = np.random.default_rng(seed)
    length = seconds * PULSE_HZ
    return pulse_wave(beat_times(np.full(length, bpm), rng, jitter=0.02), length) + noise * rng.normal(size=length)


@pytest.mark.parametrize("level", ["held", "zero", "rail"])
def test_flat_line_is_caught_within_a_second_and_contact_comes_back(level: str) -> None:
    wave = _pulse(40)
    flat = slice(20 * PULSE_HZ, 25 * PULSE_HZ)
    wave[flat] = {"held": wave[flat.start], "zero": 0.0, "rail": 50.0}[level]
    run = stream(wave[:, None], chunk=4)
    contact, quality = run.trace["contact"][:, 0], run.trace["quality"][:, 0]
    off = (run.at_s >= 21.0) & (run.at_s < 25.0)
    assert not contact[off].any()
    assert not quality[off].any()
    assert contact[(run.at_s > 2.0) & (run.at_s < 20.0)].all()
    assert contact[run.at_s > 27.5].all()
    assert quality[-1] >= 0.5


@pytest.mark.parametrize(("side", "share"), [("crest", 0.6), ("foot", 0.45)])
@pytest.mark.parametrize("bpm", [50.0, 72.0, 100.0])
def test_clipping_is_caught_within_a_beat_and_a_second(side: str, share: float, bpm: float) -> None:
    # a crest has to come before it can be cut off: within a second of the first that is, if for 0.125 s and more
    wave = _pulse(40, bpm)
    bound = np.quantile(wave, 1.0 - share / 2 if side == "crest" else share)
    start = 20 * PULSE_HZ
    cut = np.minimum(wave, bound) if side == "crest" else np.maximum(wave, bound)
    whole = np.concatenate([wave[:start], cut[start:]])
    run = stream(whole[:, None], chunk=4)
    first_s = (start + np.argmax(wave[start:] != cut[start:])) / PULSE_HZ
    contact = run.trace["contact"][:, 0]
    assert contact[(run.at_s > 2.0) & (run.at_s <= 20.0)].all()
    assert not contact[(run.at_s >= first_s + 1.0)].any()


def test_coarse_converter_is_not_taken_for_clipping() -> None:
    # a faint pulse of 30 counts is a pulse
    run = stream(np.round(30.0 * _pulse(40, noise=0.0) + 1000.0)[:, None])
    assert run.trace["contact"][run.at_s > 2.0, 0].all()
    assert run.trace["quality"][run.at_s > 15.0, 0].min() >= 0.5


def test_faint_and_strong_pulses_earn_the_same_trust() -> None:
    wave = _pulse(40)
    run = stream(np.stack([wave * 1e-4, wave, wave * 1e4 - 1e6], axis=1))
    late = run.at_s > 10.0
    assert np.ptp(run.trace["quality"][late], axis=1).max() < 0.05


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("bpm", [50.0, 80.0, 130.0])
def test_inverted_is_found(seed: int, bpm: float) -> None:
    wave = _pulse(30, bpm, seed, noise=0.05)
    run = stream(np.stack([wave, -wave], axis=1))
    assert list(run.state.polarity) == [1, -1]
    upright, inverted = (run.events.index[run.events.row == i] for i in (0, 1))
    late = [e[e > 15 * PULSE_HZ] for e in (upright, inverted)]
    assert len(late[0]) == len(late[1])
    assert np.abs(late[0] - late[1]).max() < 0.02 * PULSE_HZ


def test_configured_polarity_is_kept() -> None:
    wave = _pulse(30)
    state = PulseState.allocate(2)
    state.forced_polarity[:] = (1, -1)
    assert list(stream(np.stack([-wave, -wave], axis=1), state=state).state.polarity) == [1, -1]


def test_short_gaps_are_held_and_long_ones_break_the_interval() -> None:
    wave = _pulse(60, 60.0)
    x = np.stack([wave, wave, wave], axis=1)
    valid = np.ones(x.shape, np.bool_)
    rng = np.random.default_rng(1)
    for start in rng.integers(12 * PULSE_HZ, 55 * PULSE_HZ, 20):
        valid[start : start + 4, 1] = False
        x[start : start + 4, 1] = x[start - 1, 1]
    gap = slice(30 * PULSE_HZ, 30 * PULSE_HZ + 100)
    valid[gap, 2] = False
    x[gap.start :, 2] += 500.0  # the sensor comes back at another level
    x[gap, 2] = x[gap.start - 1, 2]
    run = stream(x, valid=valid)
    whole, held, broken = (run.events.index[run.events.row == i] for i in range(3))
    assert len(held) == len(whole)
    assert np.abs(held - whole).max() < 2.0
    across = np.flatnonzero(broken > gap.start)[0]
    value = run.events.value[run.events.row == 2]
    assert np.isnan(value[broken > gap.start][0]) or broken[across] < gap.stop
    assert np.nanmax(value) < 1.2
    amplitude = run.trace["amplitude"][:, 2]
    assert np.nanmax(amplitude[run.at_s > 10]) < 1.5 * np.nanmin(amplitude[run.at_s > 10])  # the jump is no pulse


def test_restart_forgets_beats_and_rates_but_not_the_person() -> None:
    state = stream(_pulse(40)[:, None]).state
    before = {name: getattr(state, name)[0] for name in ("amplitude", "rmssd_ms", "polarity", "beats")}
    update(state, block(np.full((1, 1), 900.0), 90_000, restart=True))
    assert np.isnan(state.rate_bpm[0])
    assert state.quality[0] == 0.0
    assert state.rate_confidence[0] == 0.0
    assert np.isnan(state.interval_s[0])
    assert {name: getattr(state, name)[0] for name in before} == before
    assert state.index[0] == 90_000


def test_huge_values_do_not_poison_a_row() -> None:
    wave = _pulse(60)
    wave[15 * PULSE_HZ] = 1e300
    wave[16 * PULSE_HZ] = -1e300
    run = stream(wave[:, None])
    assert np.isfinite(run.state.wave).all()
    assert run.state.rate_bpm[0] == pytest.approx(72.0, abs=3.0)

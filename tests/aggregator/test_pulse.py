"""The pulse chain's contract: equal bits under any chunking and company; restarts, gaps, contact, polarity."""

import numpy as np
import pytest

from aggregator.dsp.grid import PULSE_HZ, Events, GridBlock
from aggregator.dsp.pulse import OFFSET, PulseState, update
from aggregator.dsp.pulse_state import WAVE
from tests.aggregator.helper_pulse import Array, beat_times, block, motion, pulse_wave, stream


def _house(listeners: int, seconds: int, seed: int) -> Array:
    rng = np.random.default_rng(seed)
    length = seconds * PULSE_HZ
    waves = []
    for _ in range(listeners):
        beats = beat_times(np.full(length, rng.uniform(50, 140)), rng, jitter=0.03)
        wave = pulse_wave(beats, length) + 0.05 * rng.normal(size=length) + motion(length, rng, size=3.0)[0]
        waves.append(rng.choice([-1.0, 1.0]) * 10 ** rng.uniform(-3, 3) * wave + rng.normal() * 1000)
    return np.array(waves).T


def _same(a: PulseState, b: PulseState, rows: slice) -> None:
    for name, values in a.arrays().items():
        assert np.array_equal(values, b.arrays()[name][rows], equal_nan=values.dtype.kind == "f"), name


def _same_events(a: Events, b: Events) -> None:
    order_a, order_b = np.lexsort((a.index, a.row)), np.lexsort((b.index, b.row))
    for one, other in ((a.row, b.row), (a.index, b.index), (a.value, b.value)):
        assert np.array_equal(one[order_a], other[order_b], equal_nan=True)


def test_one_listener_alone_and_among_many_gives_equal_bits() -> None:
    x = np.tile(_house(20, 12, 1), (1, 50))
    many = stream(x)
    for i in (0, 7, 13, 19):
        alone = stream(x[:, i : i + 1])
        _same(alone.state, many.state, slice(i, i + 1))
        mine = many.events.row == i
        assert np.array_equal(alone.events.index, many.events.index[mine])
        assert np.array_equal(alone.events.value, many.events.value[mine], equal_nan=True)


@pytest.mark.parametrize("seed", range(6))
def test_any_ragged_chunking_gives_equal_bits(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = _house(8, 30, seed)
    valid = np.ones(x.shape, np.bool_)
    for start in rng.integers(0, len(x) - 200, 12):
        listener, length = rng.integers(8), rng.integers(1, 120)
        valid[start : start + length, listener] = False
        x[start : start + length, listener] = x[max(start - 1, 0), listener]
    valid[0] = True
    whole = stream(x, chunk=len(x), valid=valid)
    state, parts, at = PulseState.allocate(8), [], np.zeros(8, np.int64)
    while (at < len(x)).any():
        who = np.flatnonzero((at < len(x)) & (rng.random(8) < 0.7))
        count = np.minimum(rng.choice([1, 3, 13, 16, 17, 40, 128], len(who)), len(x) - at[who])
        order = np.lexsort((who, -count))
        who, count = who[order], count[order]
        if len(who) == 0:
            continue
        steps = np.minimum(at[who] + np.arange(count[0])[:, None], at[who] + count - 1)
        parts.append(
            update(state, GridBlock(who, count, at[who].copy(), at[who] == 0, x[steps, who], valid[steps, who]))
        )
        at[who] += count
    _same(state, whole.state, slice(None))
    _same_events(Events.join(parts), whole.events)


def test_state_is_bounded() -> None:
    # ARCHITECTURE: 4 kB of state and 12 kB of rings a listener for all channels; the pulse's share
    assert sum(PulseState.bytes_a_listener().values()) <= 2500


def test_empty_block_changes_nothing() -> None:
    state = PulseState.allocate(3)
    nothing = update(state, block(np.empty((0, 0)), 0))
    assert len(nothing.row) == 0
    _same(PulseState.allocate(3), state, slice(None))


@pytest.mark.parametrize("length", [30 * PULSE_HZ, 30 * PULSE_HZ + 37])
def test_running_sum_of_the_detector_equals_both_averages_taken_anew(length: int) -> None:
    # Elgendi 2013: 43 mean_7 - 43 mean_43 of the squared crests, the short one in the middle of the long one
    x = _house(8, 31, 3)[:length]
    x[12 * PULSE_HZ : 13 * PULSE_HZ, :4] += 1e6 * np.ptp(x[:, :4], axis=0)  # a jolt whose rounding must not stay
    state = stream(x).state
    q = np.maximum(state.wave[:, :WAVE].astype(np.float64), 0.0)[:, -43:] ** 2
    lead = 43 / 7 * q[:, 18:25].sum(axis=1) - q.sum(axis=1)
    offset = OFFSET * 43 * state.scale.astype(np.float64) ** 2
    assert (offset > 0.0).all()
    assert np.max(np.abs(state.lead - lead) / offset) < 1e-3

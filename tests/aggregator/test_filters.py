"""Filters against scipy.signal (the source of every number here), chunking, steady start."""

import math
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from aggregator.dsp.filters import Sections, butterworth, one_pole_gain, one_pole_step, sos_run, sos_start, sos_step

Kind = Literal["low", "high", "band"]
KINDS = {"low": "lowpass", "high": "highpass", "band": "bandpass"}
DESIGNS: list[tuple[Kind, int, tuple[float, ...], float]] = [
    ("band", 2, (0.5, 5.0), 64.0),
    ("band", 2, (0.5, 8.0), 64.0),
    ("band", 1, (0.1, 0.5), 16.0),
    ("band", 3, (0.1, 0.7), 16.0),
    ("low", 1, (1.0,), 8.0),
    ("low", 2, (1.0,), 8.0),
    ("low", 4, (3.0,), 32.0),
    ("high", 1, (0.05,), 8.0),
    ("high", 2, (0.5,), 16.0),
    ("high", 5, (2.0,), 32.0),
]


def _scipy_rows(sos: Sections) -> NDArray[np.float64]:
    return np.array([[b0, b1, b2, 1.0, a1, a2] for b0, b1, b2, a1, a2 in sos])


@pytest.mark.parametrize(("kind", "order", "edges", "rate"), DESIGNS)
def test_design_and_output_equal_scipy(kind: Kind, order: int, edges: tuple[float, ...], rate: float) -> None:
    ours = butterworth(kind, order, edges, rate)
    theirs = signal.butter(order, edges if kind == "band" else edges[0], KINDS[kind], fs=rate, output="sos")
    x = np.random.default_rng(1).normal(size=(600, 3)) + 5.0
    start = np.zeros((len(ours), 2, 3))
    assert np.max(np.abs(sos_run(ours, start, x) - signal.sosfilt(theirs, x, axis=0))) < 1e-9
    _, h1 = signal.sosfreqz(_scipy_rows(ours), 256)
    _, h2 = signal.sosfreqz(theirs, 256)
    assert np.max(np.abs(h1 - h2)) < 1e-9


@pytest.mark.parametrize(("kind", "order", "edges", "rate"), DESIGNS)
def test_steady_start_equals_scipy_and_does_not_swing(
    kind: Kind, order: int, edges: tuple[float, ...], rate: float
) -> None:
    sos = butterworth(kind, order, edges, rate)
    x = np.random.default_rng(2).normal(size=(200, 2)) + 1000.0
    rows = _scipy_rows(sos)
    zi = signal.sosfilt_zi(rows)[:, :, None] * x[0]
    theirs, _ = signal.sosfilt(rows, x, axis=0, zi=zi)
    assert np.max(np.abs(sos_run(sos, sos_start(sos, x[0]), x) - theirs)) < 1e-8  # 1e-9 of a level of 1000, and some
    constant = np.full((50, 1), 7.0)
    y = sos_run(sos, sos_start(sos, constant[0]), constant)
    assert np.max(np.abs(y - (7.0 if kind == "low" else 0.0))) < 1e-9


def test_any_chunking_and_ragged_ends_give_equal_bits() -> None:
    sos = butterworth("band", 2, (0.5, 5.0), 64.0)
    rng = np.random.default_rng(3)
    x = rng.normal(size=(90, 5))
    whole_state = np.zeros((2, 2, 5))
    whole = sos_run(sos, whole_state, x)
    stepped_state = np.zeros((2, 2, 5))
    stepped = np.array([sos_step(sos, stepped_state, row) for row in x])
    assert np.array_equal(whole, stepped)
    assert np.array_equal(whole_state, stepped_state)
    alone_state = np.zeros((2, 2, 1))
    alone = np.concatenate([sos_run(sos, alone_state, part) for part in np.array_split(x[:, 2:3], [1, 2, 40, 41])])
    assert np.array_equal(alone, whole[:, 2:3])
    ragged_state = np.zeros((2, 2, 5))
    count = np.array([90, 60, 31, 2, 1])
    sos_run(sos, ragged_state, x, count)
    for i, c in enumerate(count):
        expected = np.zeros((2, 2, 1))
        sos_run(sos, expected, x[:c, i : i + 1])
        assert np.array_equal(ragged_state[:, :, i : i + 1], expected)


def test_one_pole_reaches_63_per_cent_after_its_time_constant() -> None:
    gain = one_pole_gain(2.0, 8.0)
    state = np.zeros(1)
    for _ in range(16):
        one_pole_step(state, np.ones(1), gain)
    assert state[0] == pytest.approx(1.0 - math.exp(-1.0), abs=1e-12)
    theirs = signal.lfilter([gain], [1.0, gain - 1.0], np.ones(16))[-1]
    assert state[0] == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "edges"), [("low", (40.0,)), ("band", (5.0, 0.5)), ("band", (1.0,)), ("high", (0.0,))]
)
def test_impossible_edges_are_refused(kind: Kind, edges: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="edges"):
        butterworth(kind, 2, edges, 64.0)

"""Butterworth filters in second-order sections and one-pole low-passes, elementwise over many listeners.

A filter is a tuple of sections ``(b0, b1, b2, a1, a2)`` (``a0 = 1``). Each section runs in direct form II::

    w[k] = (x[k] - a2 w[k-2]) - a1 w[k-1]
    y[k] = (w[k] + b2/b0 w[k-2]) + b1/b0 w[k-1]

with the product of all ``b0`` applied once, after the last section. Its memory is ``w[k-1], w[k-2]``: a state has shape
``(sections, 2, n)``, axis 1 the newer first. Every operation is elementwise over the last axis and in sample order, so
a listener's bits do not depend on who shares the call or on how the samples were chunked. ``sos_run`` and ``sos_step``
give equal bits.

Source: bilinear transform with prewarped edges (Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7); checked
against ``scipy.signal`` in tests. Does not correct the filters' delay, and has no zero-phase mode: it looks only back.
"""

from __future__ import annotations

import cmath
import math
from itertools import pairwise
from typing import Literal

import numpy as np

from aggregator.dsp.columns import Floats, Ints

Section = tuple[float, float, float, float, float]
Sections = tuple[Section, ...]


def butterworth(
    kind: Literal["low", "high", "band"], order: int, edge_hz: tuple[float, ...], rate_hz: float
) -> Sections:
    """Butterworth sections: ``low`` and ``high`` take one edge and have ``order``; ``band`` takes two, and ``2 order``.

    The same filter as ``scipy.signal.butter(order, edge_hz, fs=rate_hz, output="sos")`` up to the order of sections.

    Raises:
        ValueError: the edges do not lie in order between 0 and half of ``rate_hz``, or ``order < 1``.
    """
    ordered = (0.0, *edge_hz, rate_hz / 2.0)
    if order < 1 or len(edge_hz) != (2 if kind == "band" else 1) or any(a >= b for a, b in pairwise(ordered)):
        raise ValueError(f"{kind}-pass of order {order} with edges {edge_hz} Hz at {rate_hz} Hz")
    warped = [math.tan(math.pi * f / rate_hz) for f in edge_hz]
    poles = [p for q in _prototype(order) for p in _moved(kind, q, warped)]
    digital = [(1.0 + p) / (1.0 - p) for p in poles]
    centre = {"low": 0.0, "high": math.pi, "band": 2.0 * math.atan(math.sqrt(math.prod(warped)))}[kind]
    return tuple(_section(kind, pair, cmath.exp(1j * centre)) for pair in _pairs(digital))


def _prototype(order: int) -> list[complex]:
    """Poles of the analogue low-pass of 1 rad/s, those with imaginary part >= 0 (the others are their conjugates)."""
    angles = [math.pi * (2 * k + order + 1) / (2 * order) for k in range(order)]
    return [complex(math.cos(a), 0.0 if abs(math.sin(a)) < 1e-12 else math.sin(a)) for a in angles]


def _moved(kind: str, pole: complex, warped: list[float]) -> list[complex]:
    """The prototype's pole after the low-pass to low-, high- or band-pass transformation."""
    if kind == "low":
        return [pole * warped[0]]
    if kind == "high":
        return [warped[0] / pole]
    half = pole * (warped[1] - warped[0]) / 2.0
    root = cmath.sqrt(half * half - warped[0] * warped[1])
    return [half + root, half - root]


def _pairs(poles: list[complex]) -> list[tuple[complex, ...]]:
    """Conjugate pairs, then real poles two by two, then the one that is left."""
    upper = sorted((p for p in poles if p.imag > 1e-12), key=lambda p: (abs(p), p.imag))
    real = sorted(p.real for p in poles if abs(p.imag) <= 1e-12)
    pairs: list[tuple[complex, ...]] = [(p, p.conjugate()) for p in upper]
    return pairs + [tuple(complex(r) for r in real[i : i + 2]) for i in range(0, len(real), 2)]


def _section(kind: str, poles: tuple[complex, ...], centre: complex) -> Section:
    """One section with gain 1 at ``centre``, the middle of the pass band on the unit circle."""
    single = len(poles) == 1
    a1 = -sum(poles).real
    a2 = 0.0 if single else (poles[0] * poles[1]).real
    b1, b2 = {"low": (1.0, 0.0) if single else (2.0, 1.0), "high": (-1.0, 0.0) if single else (-2.0, 1.0)}.get(
        kind, (0.0, -1.0)
    )
    back = 1.0 / centre
    gain = abs((1.0 + a1 * back + a2 * back * back) / (1.0 + b1 * back + b2 * back * back))
    return (gain, gain * b1, gain * b2, a1, a2)


def sos_start(sos: Sections, x: Floats) -> Floats:
    """State ``(sections, 2, n)`` of a filter that has seen the constant ``x`` (n,) for ever: no start-up swing."""
    state = np.empty((len(sos), 2, *np.shape(x)))
    level = np.asarray(x, dtype=np.float64)
    for i, (b0, b1, b2, a1, a2) in enumerate(sos):
        state[i] = level / (1.0 + a1 + a2)
        level = level * ((b0 + b1 + b2) / b0 / (1.0 + a1 + a2))
    return state


def sos_step(sos: Sections, state: Floats, x: Floats) -> Floats:
    """Filter one sample ``x`` (n,) a listener; ``state`` (sections, 2, n) moves on in place. Returns y (n,)."""
    y = x
    for i, (_, _, _, a1, a2) in enumerate(sos):
        newer, older = state[i, 0], state[i, 1]
        w = (y - a2 * older) - a1 * newer
        y = _weighted(sos[i], w, newer, older)
        older[...] = newer
        newer[...] = w
    y *= _gain(sos)
    return y


def sos_run(sos: Sections, state: Floats, x: Floats, count: Ints | None = None) -> Floats:
    """Filter ``x`` (t, n), time-major; ``state`` (sections, 2, n) moves on in place. Returns y (t, n).

    ``count`` int64 (n,), 1..t: listener i's samples end at step ``count[i]`` and their state stops there; what y holds
    after it means nothing. Without it all have t samples.
    """
    t, n = x.shape
    memory = np.empty((t + 2, n))
    for i, (_, _, _, a1, a2) in enumerate(sos):
        memory[0], memory[1] = state[i, 1], state[i, 0]
        _recur(memory, x, a1, a2)
        x = _weighted(sos[i], memory[2:], memory[1:-1], memory[:-2])
        ends = (memory[-2], memory[-1]) if count is None else _ends(memory, count)
        state[i, 1], state[i, 0] = ends
    x *= _gain(sos)
    return x


def _weighted(section: Section, newest: Floats, newer: Floats, older: Floats) -> Floats:
    """A section's output over ``b0``. A band-pass has zeros at +1 and -1, so that one difference is all."""
    b0, b1, b2, _, _ = section
    y = newest - older if b2 == -b0 else newest + (b2 / b0) * older
    if b1:
        y += (b1 / b0) * newer
    return y


def _gain(sos: Sections) -> float:
    return math.prod(b0 for b0, *_ in sos)


def _recur(memory: Floats, x: Floats, a1: float, a2: float) -> None:
    """``memory[k+2] = (x[k] - a2 memory[k]) - a1 memory[k+1]``, k rising."""
    product = np.empty(x.shape[1])
    # As arrays: numpy looks anew at a Python number in each call, which costs half as much as a call of few listeners.
    newer, older = np.array(a1), np.array(a2)
    rows = list(memory)
    for k, sample in enumerate(x):
        w = rows[k + 2]
        np.multiply(rows[k], older, out=product)
        np.subtract(sample, product, out=w)
        np.multiply(rows[k + 1], newer, out=product)
        np.subtract(w, product, out=w)


def _ends(memory: Floats, count: Ints) -> tuple[Floats, Floats]:
    """The two newest entries of each listener, older first."""
    columns = np.arange(memory.shape[1])
    return memory[count, columns], memory[count + 1, columns]


def one_pole_gain(time_constant_s: float, rate_hz: float) -> float:
    """Gain ``g = 1 - exp(-1 / (tau rate))`` of ``y += g (x - y)``: a step is followed to 63 % in ``tau`` seconds."""
    return -math.expm1(-1.0 / (time_constant_s * rate_hz))


def one_pole_step(state: Floats, x: Floats, gain: float) -> Floats:
    """One-pole low-pass ``state += gain (x - state)``, in place; start it at the first sample. Returns ``state``."""
    state += gain * (x - state)
    return state

"""Slow random series for tests of linkage: autocorrelated as arousal is, with or without something in common."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
HZ = 4


def smooth(x: Floats, tau_s: float) -> Floats:
    """First-order low-pass along the last axis."""
    keep = np.exp(-1 / (tau_s * HZ))
    made = np.empty_like(x)
    state = np.zeros(x.shape[:-1])
    for i in range(x.shape[-1]):
        state = keep * state + x[..., i]
        made[..., i] = state
    return made


def slow(rng: np.random.Generator, shape: tuple[int, ...], tau_s: float, kind: str = "smooth") -> Floats:
    """Unit variance, last axis time at 4 Hz. ``smooth``: white noise through low-passes of tau_s and 2 s; ``once``:
    through tau_s alone; ``walk``: summed; ``drift``: smooth on a rising line; ``sparse``: rare responses."""
    lead = round(6 * tau_s * HZ)
    noise = rng.normal(size=(*shape[:-1], shape[-1] + lead))
    if kind == "sparse":
        noise = (rng.random(noise.shape) < 1 / (8 * HZ)) * rng.exponential(1.0, noise.shape)
    made: Floats = np.cumsum(noise, axis=-1) if kind == "walk" else smooth(noise, tau_s)
    if kind in ("smooth", "drift"):
        made = smooth(made, 2.0)
    made = made[..., lead:]
    made = (made - made.mean(axis=-1, keepdims=True)) / made.std(axis=-1, keepdims=True)
    if kind == "drift":
        made += np.linspace(0, 3, shape[-1])
    return made


def delayed(x: Floats, seconds: float) -> Floats:
    """x later by so much; its first value before it begins."""
    k = round(seconds * HZ)
    return np.concatenate([np.repeat(x[..., :1], k, axis=-1), x[..., : x.shape[-1] - k]], axis=-1)

"""Plain arrays into grid blocks, and the pulse chain run over them second by second; simulated pulse with truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.grid import PULSE_HZ, Events, GridBlock
from aggregator.dsp.pulse import PulseState, update

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def on_grid(values: Array, times_s: Array) -> Array:
    """Straight lines between samples, read at 64 Hz."""
    return np.interp(np.arange(times_s[0], times_s[-1], 1.0 / PULSE_HZ), times_s, values)


def block(
    x: Array, start: int, *, rows: NDArray[np.intp] | None = None, restart: bool = False, valid: Mask | None = None
) -> GridBlock:
    """All of ``x`` (t, m) as one block that begins at grid index ``start``."""
    t, m = x.shape
    return GridBlock(
        rows=np.arange(m, dtype=np.intp) if rows is None else rows,
        count=np.full(m, t, np.int64),
        index=np.full(m, start, np.int64),
        restart=np.full(m, restart),
        x=np.ascontiguousarray(x, dtype=np.float64),
        valid=np.ones((t, m), np.bool_) if valid is None else np.ascontiguousarray(valid),
    )


@dataclass
class Run:
    state: PulseState
    events: Events
    at_s: Array
    trace: dict[str, Array]


FEATURES: tuple[str, ...] = (
    "rate_bpm",
    "rate_confidence",
    "interval_rate_bpm",
    "interval_confidence",
    "spectral_rate_bpm",
)
FEATURES += ("spectral_confidence", "quality", "amplitude", "rmssd_ms", "contact", "polarity", "perfusion")


def stream(x: Array, *, chunk: int = 16, valid: Mask | None = None, state: PulseState | None = None) -> Run:
    """Feed ``x`` (t, m) in chunks; features are noted after each chunk."""
    t, m = x.shape
    state = PulseState.allocate(m) if state is None else state
    parts, notes, at = [], [], []
    for start in range(0, t, chunk):
        stop = min(start + chunk, t)
        part = block(x[start:stop], start, restart=start == 0, valid=None if valid is None else valid[start:stop])
        parts.append(update(state, part))
        notes.append([getattr(state, name).astype(np.float64) for name in FEATURES])
        at.append(stop / PULSE_HZ)
    trace = {name: np.array([n[i] for n in notes]) for i, name in enumerate(FEATURES)}
    return Run(state, Events.join(parts), np.array(at), trace)


def beat_times(rate_bpm: Array, rng: np.random.Generator, *, jitter: float = 0.0) -> Array:
    """Beats of a pulse whose rate is given at 64 Hz, with breathing-like jitter of the intervals."""
    times, t = [], 0.3
    end = len(rate_bpm) / PULSE_HZ
    while t < end:
        times.append(t)
        sway = jitter * np.sin(2.0 * np.pi * 0.23 * t) + 0.3 * jitter * rng.normal()
        t += 60.0 / rate_bpm[min(int(t * PULSE_HZ), len(rate_bpm) - 1)] * (1.0 + sway)
    return np.array(times)


def pulse_wave(beats_s: Array, length: int, *, bump: float = 0.35) -> Array:
    """Sum of two bells a beat, systolic and dicrotic, whose places scale with the interval; height ~1."""
    t = np.arange(length) / PULSE_HZ
    wave = np.zeros(length)
    intervals = np.append(np.diff(beats_s), beats_s[-1] - beats_s[-2])
    for beat, interval in zip(beats_s, intervals, strict=True):
        wide = 0.10 * np.sqrt(interval)
        for height, place, width in ((1.0, 0.0, wide), (bump, 0.36 * np.sqrt(interval), 1.3 * wide)):
            near = slice(max(0, int((beat + place - 1.2) * PULSE_HZ)), int((beat + place + 1.2) * PULSE_HZ))
            wave[near] += height * np.exp(-0.5 * ((t[near] - beat - place) / width) ** 2)
    return wave


def motion(length: int, rng: np.random.Generator, *, share: float = 0.2, size: float = 4.0) -> tuple[Array, Mask]:
    """Bursts of 2-5 s of swinging and knocks, ``size`` pulses large, over ``share`` of the time; and where they are."""
    moved = np.zeros(length, np.bool_)
    noise = np.zeros(length)
    t = np.arange(length) / PULSE_HZ
    while moved.mean() < share:
        start, stop = (lambda a: (a, a + int(rng.uniform(2, 5) * PULSE_HZ)))(int(rng.integers(0, length)))
        here = slice(start, min(stop, length))
        swing = np.sin(2 * np.pi * rng.uniform(0.4, 4.0) * t[here] + rng.uniform(0, 6))
        knocks = np.cumsum(rng.normal(size=swing.size) * (rng.random(swing.size) < 0.05))
        noise[here] += size * rng.uniform(0.3, 1.0) * (0.6 * swing + knocks)
        moved[here] = True
    return noise, moved

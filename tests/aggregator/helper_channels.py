"""Streams of one channel through resample and a kernel, in any chunks; Bateman trains and electrode artefacts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from aggregator.dsp.columns import Columns, Floats, Ints, Rows
from aggregator.dsp.grid import GridBlock
from aggregator.dsp.resample import GridState, Mode, resample

Update = Callable[[Any, GridBlock], Any]
Decided = tuple[int, float, float]


@dataclass(frozen=True)
class Streams:
    """Samples of several listeners: times in microseconds and values, one array each a listener."""

    time_us: Sequence[Ints]
    value: Sequence[Floats]

    def of(self, listener: int) -> Streams:
        return Streams([self.time_us[listener]], [self.value[listener]])


def even(values: Floats, rate_hz: float, start_us: int = 0) -> Streams:
    """``values`` (n, m) at an even rate."""
    t = start_us + np.round(np.arange(len(values)) * 1e6 / rate_hz).astype(np.int64)
    return Streams([t] * values.shape[1], list(np.ascontiguousarray(values.T)))


@dataclass
class Ran:
    grid: GridState
    state: Any
    events: list[Decided]
    points: list[list[tuple[int, float, bool, bool]]]


def chunks_of(size: int) -> Callable[[int], Ints]:
    return lambda m: np.full(m, size)


def random_chunks(seed: int, largest: int) -> Callable[[int], Ints]:
    rng = np.random.default_rng(seed)
    return lambda m: rng.integers(0, largest + 1, m)


def run(
    streams: Streams,
    grid_hz: int,
    mode: Mode,
    chunk: Callable[[int], Ints],
    *,
    state: Columns | None = None,
    update: Update | None = None,
    rows: Rows | None = None,
    jumps: frozenset[int] = frozenset(),
) -> Ran:
    """Feed everything, ``chunk(m)`` samples of each listener at a time; ``jumps``: samples that a jump comes before."""
    m = len(streams.value)
    rows = np.arange(m) if rows is None else rows
    grid = GridState.allocate(int(rows.max()) + 1)
    ran = Ran(grid, state, [], [[] for _ in range(m)])
    column = {int(r): i for i, r in enumerate(rows)}
    length = np.array([len(v) for v in streams.value])
    done = np.zeros(m, np.int64)
    while (done < length).any():
        count = np.minimum(chunk(m), length - done)
        for jump in jumps:
            count = np.where(done < jump, np.minimum(count, jump - done), count)
        pick = [slice(int(d), int(d + c)) for d, c in zip(done, count, strict=True)]
        t = np.concatenate([x[p] for x, p in zip(streams.time_us, pick, strict=True)])
        v = np.concatenate([x[p] for x, p in zip(streams.value, pick, strict=True)])
        jumped = np.isin(done, list(jumps))
        for block in resample(grid, rows, np.cumsum(count) - count, count, t, v, jumped, grid_hz=grid_hz, mode=mode):
            check_block(block)
            if update is None:
                _keep(ran, block, column)
            else:
                e = update(state, block)
                ran.events += list(zip(e.row.tolist(), e.index.tolist(), e.value.tolist(), strict=True))
        done += count
    ran.events.sort()
    return ran


def check_block(block: GridBlock) -> None:
    """The contract of grid.py."""
    assert np.isfinite(block.x).all()
    assert block.x.flags.c_contiguous
    assert block.x.shape == block.valid.shape == (block.count.max(), len(block.rows))
    assert block.count.min() >= 1
    keys = list(zip((-block.count).tolist(), block.rows.tolist(), strict=True))
    assert keys == sorted(keys)
    assert len(set(block.rows.tolist())) == len(block.rows)


def _keep(ran: Ran, block: GridBlock, column: dict[int, int]) -> None:
    for i, row in enumerate(block.rows.tolist()):
        for j in range(int(block.count[i])):
            ran.points[column[row]].append(
                (
                    int(block.index[i]) + j,
                    float(block.x[j, i]),
                    bool(block.valid[j, i]),
                    bool(block.restart[i]) and j == 0,
                )
            )


def same_rows(a: Columns, b: Columns, rows_a: Rows, rows_b: Rows) -> None:
    """Equal bits in every column."""
    for name, column in a.arrays().items():
        np.testing.assert_array_equal(column[rows_a], b.arrays()[name][rows_b], err_msg=name, strict=True)


def rough(m: int, n: int, rate_hz: float, level: float, seed: int) -> Streams:
    """A wandering signal with outliers, missing samples, gaps, holes and irregular times."""
    rng = np.random.default_rng(seed)
    x = level + np.cumsum(rng.normal(0, 0.02, (n, m)), axis=0) + rng.normal(0, 0.05, (n, m))
    x += 0.3 * np.sin(1.5 * np.arange(n)[:, None] / rate_hz + np.arange(m))
    x += (rng.random((n, m)) < 0.01) * rng.choice([-20.0, 3.0, 0.4], (n, m))
    x[rng.random((n, m)) < 0.03] = np.nan
    times = []
    for _ in range(m):
        t = np.arange(n) / rate_hz + rng.uniform(0, 0.3 / rate_hz, n)
        for at in rng.integers(1, n, 4):
            t[at:] += rng.choice([0.1, 0.3, 0.6, 1.9, 2.5, 70.0])
        times.append((t * 1e6).astype(np.int64) + int(rng.integers(0, 10**9)))
    return Streams(times, list(np.ascontiguousarray(x.T)))


def bateman(t_s: Floats, rise_s: float, recovery_s: float) -> Floats:
    """Response of amplitude 1 that begins at 0: ``exp(-t / recovery) - exp(-t / rise)`` over its peak."""

    def raw(t: Floats) -> Floats:
        shape: Floats = np.exp(-t / recovery_s) - np.exp(-t / rise_s)
        return shape

    peak = np.log(recovery_s / rise_s) * rise_s * recovery_s / (recovery_s - rise_s)
    made: Floats = np.where(t_s > 0, raw(np.maximum(t_s, 0.0)), 0.0) / raw(np.array(peak))
    return made


@dataclass(frozen=True)
class Train:
    """Skin conductance with known responses: ``x`` (n, m), onsets in seconds and amplitudes a listener."""

    x: Floats
    onset_s: list[Floats]
    amplitude_us: list[Floats]


def skin_train(
    m: int, seconds: int, a_minute: float, shape_s: tuple[float, float], *, rate_hz: int = 8, seed: int = 0
) -> Train:
    """Level 2-20 uS drifting by 3 %, responses at random times over 1 s apart, amplitudes from 0.05 uS, noise 0.004."""
    rng = np.random.default_rng(seed)
    t = np.arange(seconds * rate_hz) / rate_hz
    x, onsets, amplitudes = np.empty((len(t), m)), [], []
    for i in range(m):
        level, phase = rng.uniform(2, 20), rng.uniform(0, 2 * np.pi)
        x[:, i] = level * (1 + 0.03 * np.sin(2 * np.pi * t / 150 + phase)) + rng.normal(0, 0.05) / 60 * t
        at: list[float] = []
        now = 2.0
        while a_minute > 0:
            now += 1.0 + rng.exponential(60 / a_minute - 1.0)
            if now > seconds - 6:
                break
            at.append(now)
        size = np.clip(0.15 * np.exp(rng.normal(0, 0.7, len(at))), 0.05, 1.5)
        for begin, amplitude in zip(at, size, strict=True):
            x[:, i] += amplitude * bateman(t - begin, *shape_s)
        onsets.append(np.array(at))
        amplitudes.append(size)
    return Train(x + rng.normal(0, 0.004, x.shape), onsets, amplitudes)


def match(found_s: Sequence[float], true_s: Floats, tolerance_s: float = 1.0) -> tuple[int, int, int]:
    """One to one within ``tolerance_s``: (hits, false, missed)."""
    left = list(true_s)
    hits = 0
    for at in sorted(found_s):
        near = [t for t in left if abs(t - at) <= tolerance_s]
        if near:
            left.remove(min(near, key=lambda t: abs(t - at)))
            hits += 1
    return hits, len(found_s) - hits, len(left)

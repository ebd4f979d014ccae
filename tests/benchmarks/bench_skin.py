"""Cost of resampling, skin conductance, temperature and motion, as live: 20 ticks a second, packets a quarter second.

Run: ``python -m tests.benchmarks.bench_skin``. Prints microseconds per listener-second (median of the ticks' cost) and
bytes of state a listener.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from aggregator.dsp import electrodermal, motion, temperature
from aggregator.dsp.columns import Columns
from aggregator.dsp.grid import MOTION_HZ, PULSE_HZ, SKIN_HZ, TEMPERATURE_HZ
from aggregator.dsp.resample import GridState, Mode, resample

TICKS_A_SECOND, SECONDS = 20, 6
# channel, grid rate, mode, packets a second, level, kernel
CHANNELS: tuple[tuple[str, int, Mode, int, float, Any], ...] = (
    ("pulse (resampling only)", PULSE_HZ, "linear", 4, 0.0, None),
    ("skin", SKIN_HZ, "mean", 4, 8.0, electrodermal),
    ("temperature", TEMPERATURE_HZ, "mean", 1, 33.0, temperature),
    ("motion", MOTION_HZ, "mean", 4, 9.8, motion),
)
STATES: dict[Any, type[Columns]] = {
    electrodermal: electrodermal.SkinState,
    temperature: temperature.TemperatureState,
    motion: motion.MotionState,
}


def measure(listeners: int, grid_hz: int, mode: Mode, packets: int, level: float, kernel: Any) -> tuple[float, float]:
    """(resampling, kernel) in microseconds per listener-second; each phone's packets fall into a tick of their own."""
    rng = np.random.default_rng(0)
    grid = GridState.allocate(listeners)
    state = STATES[kernel].allocate(listeners) if kernel else None
    every = TICKS_A_SECOND // packets
    size = grid_hz // packets
    phase = rng.integers(0, every, listeners)
    spent: list[tuple[float, float]] = []
    for tick in range(SECONDS * TICKS_A_SECOND):
        rows = np.flatnonzero((tick + phase) % every == 0)
        k = (tick // every) * size + np.arange(size)
        t = (k[None, :] * (1_000_000 // grid_hz) + rows[:, None] * 37 + rng.integers(0, 900, (len(rows), 1))).ravel()
        x = level + rng.normal(0, 0.004, t.shape) + 0.2 * np.maximum(np.sin(t * 3e-7), 0)
        count = np.full(len(rows), size)
        begin = time.perf_counter()
        blocks = resample(
            grid, rows, np.cumsum(count) - count, count, t, x, np.zeros(len(rows), np.bool_), grid_hz=grid_hz, mode=mode
        )
        middle = time.perf_counter()
        for block in blocks if kernel else ():
            kernel.update(state, block)
        spent.append((middle - begin, time.perf_counter() - middle))
    cost = np.median(np.array(spent[2 * TICKS_A_SECOND :]), axis=0) * TICKS_A_SECOND / listeners * 1e6
    return float(cost[0]), float(cost[1])


def main() -> None:
    print(f"{'listeners':>10}  {'channel':<26}{'resample us':>12}{'kernel us':>12}")
    for listeners in (1_000, 10_000, 50_000):
        for name, grid_hz, mode, packets, level, kernel in CHANNELS:
            made = measure(listeners, grid_hz, mode, packets, level, kernel)
            print(f"{listeners:>10}  {name:<26}{made[0]:>12.2f}{made[1]:>12.2f}")
    kinds: list[type[Columns]] = [GridState, *STATES.values()]
    for columns in kinds:
        print(f"{columns.__name__}: {sum(columns.bytes_a_listener().values())} bytes a listener")


if __name__ == "__main__":
    main()

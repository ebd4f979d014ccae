"""What the pulse chain costs, and how it fares on recordings kept elsewhere.

Cost: processor time of this process over packets of 16 samples, four a second at random phases, a fifth of the
listeners a tick. Run: ``python -m tests.benchmarks.bench_pulse [listeners ...]``.

Recordings: ``python -m tests.benchmarks.bench_pulse --folder FOLDER`` reads ``FOLDER/*/PPG.csv`` (time in ms, R, G, B:
mean colours of camera pictures, irregular) and ``RR.txt`` (intervals in ms of a chest strap over the same stretch, not
aligned: the median rates are compared).
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from aggregator.dsp.grid import PULSE_HZ, GridBlock
from aggregator.dsp.pulse import PulseState, update
from tests.aggregator.helper_pulse import Array, beat_times, motion, on_grid, pulse_wave, stream

PACKET = 16
PACKETS_A_SECOND = PULSE_HZ // PACKET
TICKS_A_PACKET = 5


def people(number: int, seconds: int) -> Array:
    """Pulses of all rates, a fifth of the time in motion, (t, number)."""
    rng = np.random.default_rng(3)
    length = seconds * PULSE_HZ
    waves = []
    for bpm in np.linspace(48, 140, number):
        wave = pulse_wave(beat_times(np.full(length, bpm), rng, jitter=0.03), length) + 0.05 * rng.normal(size=length)
        waves.append(rng.choice([-1.0, 1.0]) * (wave + motion(length, rng, size=3.0)[0]) + rng.normal() * 1000)
    return np.array(waves).T


def cost(listeners: int, seconds: int = 6, warm: int = 20) -> tuple[float, float]:
    """(us a listener-second, p99 of a tick in ms)."""
    source = people(24, 40)
    rng = np.random.default_rng(0)
    who, offset = rng.integers(0, source.shape[1], listeners), rng.integers(0, 1000, listeners)
    phase = rng.integers(0, PULSE_HZ, listeners)
    state = PulseState.allocate(listeners)
    fifths = [np.flatnonzero(np.arange(listeners) % TICKS_A_PACKET == k) for k in range(TICKS_A_PACKET)]
    spent = []
    for packet in range((warm + seconds) * PACKETS_A_SECOND):
        for rows in fifths:
            at = (offset[rows] + packet * PACKET + np.arange(PACKET)[:, None]) % len(source)
            x = np.ascontiguousarray(source[at, who[rows]])
            n = len(rows)
            count, index = np.full(n, PACKET), phase[rows] + packet * PACKET
            block = GridBlock(rows, count, index, np.full(n, packet == 0), x, np.ones(x.shape, np.bool_))
            begun = time.process_time_ns()
            update(state, block)
            if packet >= warm * PACKETS_A_SECOND:
                spent.append(time.process_time_ns() - begun)
    return sum(spent) / 1e3 / (listeners * seconds), float(np.quantile(spent, 0.99)) / 1e6


def recordings(folder: Path) -> None:
    """Median rate of each record against the chest strap, by colour."""
    for colour, column in (("red", 1), ("green", 2)):
        errors, off = [], 0
        for path in sorted(folder.glob("*/PPG.csv")):
            table = np.genfromtxt(path, delimiter=",", skip_header=1)
            strap = 60_000.0 / np.median(np.array((path.parent / "RR.txt").read_text().split(), float))
            run = stream(on_grid(table[:, column], table[:, 0] / 1000.0)[:, None])
            rate, trusted = run.trace["rate_bpm"][:, 0], run.trace["quality"][:, 0] >= 0.5
            if not np.isfinite(rate).any():
                print(f"{colour:6} {path.parent.name}  strap {strap:5.1f}  nothing to count in this colour")
                continue
            error = abs(float(np.nanmedian(rate)) - strap)
            errors.append(error)
            wrong = trusted.any() and abs(float(np.nanmedian(rate[trusted])) - strap) > 5.0
            off += int(wrong)
            print(
                f"{colour:6} {path.parent.name}  strap {strap:5.1f}  ours {np.nanmedian(rate):5.1f} bpm  "
                f"trusted {100 * trusted.mean():3.0f} %  polarity {run.state.polarity[0]:+d}{'  OFF' if wrong else ''}"
            )
        print(f"{colour:6} median of absolute errors {np.median(errors):.2f} bpm over {len(errors)}; {off} off > 5 bpm")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("listeners", nargs="*", type=int, default=[1_000, 10_000, 50_000])
    parser.add_argument("--folder", type=Path, help="recordings: FOLDER/*/PPG.csv and RR.txt")
    given = parser.parse_args()
    if given.folder:
        recordings(given.folder)
        return
    # One large allocation, freed: from then on glibc serves arrays of a tick from its heap instead of mapping each
    # anew, which at 10,000 listeners costs a third of the time (the service sets its allocator likewise).
    np.ones(31 << 20, np.uint8).sum()
    print(f"state: {sum(PulseState.bytes_a_listener().values())} bytes a listener")
    for listeners in given.listeners:
        us, p99_ms = cost(listeners)
        print(f"{listeners:7} listeners: {us:6.2f} us a listener-second, p99 of a tick {p99_ms:6.2f} ms")


if __name__ == "__main__":
    main()

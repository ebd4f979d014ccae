"""What the engine costs, decode to part snapshot: µs a listener-second by stage, ticks, bytes a listener, and the ratio
to re-running a reference library over a sliding window, measured in the same run.

    python tests/benchmarks/bench_engine.py [--listeners 1000 10000 50000] [--seconds 6] [--no-reference]

Each simulated phone sends four packets a second (pulse 64 Hz, skin 8 Hz, temperature 1 Hz, int16: 77 bytes in the
mean) through 16 shards flushed every 20 ms; ticks at 20 Hz, entries used at every second one; one core. Times are the
thread's own (other processes do not count, though they slow caches and a shared core's other half). The house
rests for 30 s, then the piece is counted: a listener without a baseline costs less than one who is followed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from aggregator import engine_channels, engine_view, states
from aggregator.command import allocator
from aggregator.engine import Engine, EngineSettings
from aggregator.engine_image import listener_columns
from relay.bus import SHARDS
from relay.entries import RECORD_DTYPE, Consent, Entry, Join, Part, Stamp, encode_control
from relay.seat_plan import generated
from tests.aggregator.helper_signals import CHANNELS, T0_MS, Phone

TICK_HZ = 20
REST_S = 30.0  # shorter than in an evening (120 s)
PIECE_TICK = round((REST_S + 2.0) * TICK_HZ)
TICK_MS = 1000 // TICK_HZ
FLUSH_MS = 20  # as relays do
TEMPLATES = 64  # different wave forms
LOOP_PACKETS = 64  # a wave form repeats after 16 s


class Swarm:
    """Phones as arrays: every packet's bytes come from a template, with the phone's own number and time."""

    def __init__(self, listeners: int, *, channels: int = 3) -> None:
        rng = np.random.default_rng(1)
        self.listener = np.unique(rng.integers(1, 1 << 63, listeners, np.uint64))
        self.shard = (np.arange(len(self.listener)) % SHARDS).astype(np.int64)
        # They begin over the first second: in a hall nobody's seconds end together, which the pulse's work goes by.
        self.phase_ms = rng.integers(0, 1000, len(self.listener))
        phones = [Phone(i, channels=CHANNELS[:channels]) for i in range(TEMPLATES)]
        raw = [[p.packet(i).raw for i in range(LOOP_PACKETS)] for p in phones]
        self.origin = np.array([p.origin_us for p in phones], np.uint64)[np.arange(len(self.listener)) % TEMPLATES]
        self.size = np.array([[len(r) for r in loop] for loop in raw])
        self.bytes = np.zeros((TEMPLATES, LOOP_PACKETS, int(self.size.max())), np.uint8)
        for i, loop in enumerate(raw):
            for j, packet in enumerate(loop):
                self.bytes[i, j, : len(packet)] = np.frombuffer(packet, np.uint8)

    def controls(self) -> list[Entry]:
        """Parts, consents and claims."""
        made, n = [], 0
        for stream in range(SHARDS + 1):
            made.append(Entry(Stamp(T0_MS, 0), stream, encode_control(Part("rest"))))
        for i, listener in enumerate(self.listener.tolist()):
            for event in (Consent(listener, True, "v1"), Join(listener, 1, i + 1, "audience", CHANNELS)):
                n += 1
                made.append(Entry(Stamp(T0_MS, n), int(self.shard[i]), encode_control(event)))
        return made

    def entries(self, k: int) -> list[Entry]:
        """What the relays write during tick k, and once the beginning of the piece."""
        made = []
        if k == PIECE_TICK:
            begin = Stamp(T0_MS + (k - 1) * TICK_MS - 1, 0)
            made += [Entry(begin, stream, encode_control(Part("piece"))) for stream in range(SHARDS + 1)]
        first = (k - 1) * TICK_MS
        for flushed_ms in range(-(-first // FLUSH_MS) * FLUSH_MS, first + TICK_MS, FLUSH_MS):
            stamp = T0_MS + flushed_ms
            due = (flushed_ms - self.phase_ms) % 250 < FLUSH_MS
            sequence = (stamp - T0_MS - self.phase_ms) // 250 - 1
            due &= sequence >= 0
            for shard in range(SHARDS):
                mine = np.flatnonzero(due & (self.shard == shard))
                if len(mine):
                    made.append(Entry(Stamp(stamp, 0), shard, self._payload(mine, sequence[mine])))
        return made

    def _payload(self, who: NDArray[np.intp], sequence: NDArray[np.int64]) -> bytes:
        template, place = who % TEMPLATES, sequence % LOOP_PACKETS
        sizes = self.size[template, place]
        records = np.zeros(len(who), RECORD_DTYPE)
        records["listener"], records["stream"], records["size"] = self.listener[who], 1, sizes
        packets = self.bytes[template, place]
        packets[:, 4:8] = sequence.astype("<u4")[:, None].view(np.uint8)
        packets[:, 8:16] = (self.origin[who] + sequence.astype(np.uint64) * 250_000)[:, None].view(np.uint8)
        body = packets[np.arange(packets.shape[1]) < sizes[:, None]]
        head = bytes((1, 1, 0, 0)) + len(who).to_bytes(4, "little")
        return head + records.tobytes() + body.tobytes()


class Stages:
    """Time spent by stage: functions are wrapped, what they call within another stage is taken off."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = defaultdict(float)
        self._open: list[float] = []

    def wrap(self, owner: Any, name: str, stage: str) -> None:
        inner: Callable[..., Any] = getattr(owner, name)

        def timed(*args: Any, **named: Any) -> Any:
            self._open.append(0.0)
            begun = time.thread_time()
            try:
                return inner(*args, **named)
            finally:
                took = time.thread_time() - begun
                self.spent[stage] += took - self._open.pop()
                if self._open:
                    self._open[-1] += took

        setattr(owner, name, timed)


def watched(engine: Engine) -> Stages:
    """The engine's stages under the clock."""
    stages = Stages()
    stages.wrap(engine, "_read", "read, route")
    stages.wrap(engine.intake, "take", "decode, order")
    stages.wrap(engine, "absorb", "events, heard")
    chains: Any = engine.chains
    stages.wrap(chains, "observe", "fusion")
    stages.wrap(chains, "reading", "states")
    for channel in chains.channels.values():
        stages.wrap(channel, "update", channel.plan.name)
    stages.wrap(engine.alike, "step", "synchrony")
    return stages


def measure(listeners: int, seconds: float, warm_s: float) -> dict[str, float]:
    """Run a house; figures by name: all and ticks without clocks inside, then stages over as many seconds more."""
    swarm = Swarm(listeners)
    settings = EngineSettings(rest_s=REST_S)
    engine = Engine(generated(max(listeners, 4)), settings, t0_ms=T0_MS, tick_hz=TICK_HZ)
    engine.ingest(swarm.controls())
    warm, length = round(warm_s * TICK_HZ), round(seconds * TICK_HZ)
    _play(engine, swarm, range(1, warm + 1))
    plain = _play(engine, swarm, range(warm + 1, warm + length + 1))
    stages = watched(engine)
    modules: tuple[tuple[Any, str, str], ...] = (
        (engine_channels, "resample", "resample"), (engine_view, "snapshot", "snapshot"), (states, "advance", "states"),
    )  # fmt: skip
    original = [getattr(module, name) for module, name, _ in modules]
    for wrapped in modules:
        stages.wrap(*wrapped)
    try:
        timed = _play(engine, swarm, range(warm + length + 1, warm + 2 * length + 1))
    finally:
        for (module, name, _), function in zip(modules, original, strict=True):
            setattr(module, name, function)
    counters = engine.tick(warm + 2 * length + 1).counters
    assert counters["packets"] > listeners * (2 * seconds + warm_s - 1) * 3.5
    assert counters["gaps"] == counters["packet_malformed"] == counters["waiting_listeners"] == 0
    per = 1e6 / (listeners * length / TICK_HZ)
    made = {stage: spent * per for stage, spent in sorted(stages.spent.items(), key=lambda s: -s[1])}
    made["rest of the tick, clocks"] = sum(timed) * per - sum(made.values())
    made["all"] = sum(plain) * per
    made["tick p50 ms"], made["tick p99 ms"] = (float(np.percentile(plain, q)) * 1e3 for q in (50, 99))
    return made


def _play(engine: Engine, swarm: Swarm, ticks: range) -> list[float]:
    """Processor seconds of each tick, with reading what came before it."""
    took = []
    for k in ticks:
        entries = swarm.entries(k)
        begun = time.thread_time()
        engine.ingest(entries)
        engine.tick(k)
        took.append(time.thread_time() - begun)
        engine.drain_events()
    return took


def reference(window_s: int, runs: int = 3) -> float:
    """µs a listener-second of neurokit2 over a sliding window, run once a second, as a user would without an engine:
    photoplethysmogram at 64 Hz and skin conductance at 8 Hz (neurokit2's least is 10: given at 16)."""
    import neurokit2

    rng = np.random.default_rng(3)
    t = np.arange((window_s + runs) * 64) / 64
    pulse = np.sin(2 * np.pi * 1.2 * t) + 0.3 * np.sin(4 * np.pi * 1.2 * t + 1) + 0.02 * rng.standard_normal(len(t))
    skin = 5 + 0.3 * np.maximum(0, np.sin(2 * np.pi * t / 9)) ** 4 + 0.002 * rng.standard_normal(len(t))
    spent = []
    for run in range(runs):
        part = slice(run * 64, (run + window_s) * 64)
        begun = time.thread_time()
        neurokit2.ppg_process(pulse[part], sampling_rate=64)
        neurokit2.eda_process(skin[part][::4], sampling_rate=16)
        spent.append(time.thread_time() - begun)
    return float(np.median(spent)) * 1e6


RING_LENGTH = 24  # columns of at least so many numbers are rings and histories, the others state


def sizes() -> tuple[list[tuple[str, int]], list[tuple[str, str, int]]]:
    """Bytes a listener: state by set of columns, then rings and histories one by one with their shapes."""
    engine = Engine(generated(4), t0_ms=T0_MS, tick_hz=TICK_HZ)
    state, rings = [], []
    for name, columns in listener_columns(engine).items():
        shapes = {key: array.shape[1:] for key, array in columns.arrays().items()}
        cost = columns.bytes_a_listener()
        long = [key for key, shape in shapes.items() if np.prod(shape, dtype=np.int64) >= RING_LENGTH]
        rings += [(f"{name}.{key}", " x ".join(map(str, shapes[key])), cost[key]) for key in long]
        state.append((name, sum(cost.values()) - sum(cost[key] for key in long)))
    return state, rings


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--listeners", type=int, nargs="+", default=[1000, 10_000, 50_000])
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--warm", type=float, default=REST_S + 8, help="s before counting: past rest and its medians")
    parser.add_argument("--no-reference", action="store_true")
    options = parser.parse_args()
    allocator.tune()  # as the service does
    made = {n: measure(n, options.seconds, options.warm) for n in options.listeners}
    names = list(next(iter(made.values())))
    print("µs a listener-second".ljust(28), *(f"{n:>10,}" for n in made))
    for name in names:
        print(name.ljust(28), *(f"{m.get(name, 0.0):10.2f}" for m in made.values()))
    state, rings = sizes()
    print("\nbytes of state a listener")
    for name, size in [*state, ("all", sum(size for _, size in state))]:
        print(name.ljust(28), f"{size:10,}")
    print("\nbytes of rings and histories a listener, with their lengths")
    for name, shape, size in [*rings, ("all", "", sum(size for *_, size in rings))]:
        print(name.ljust(28), f"{size:10,}", shape)
    if not options.no_reference:
        for window_s in (10, 60):
            cost = reference(window_s)
            told = "  ".join(f"{cost / m['all']:,.0f} x at {n:,}" for n, m in made.items())
            print(
                f"\nneurokit2, {window_s} s window once a second: {cost:,.0f} µs a listener-second; the engine: {told}"
            )


if __name__ == "__main__":
    main()

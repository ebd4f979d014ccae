"""5,000 seats at 20 Hz to one receiver on loopback: CPU milliseconds a tick, prebuilt buffers against python-osc.

Run: ``python -m tests.benchmarks.bench_osc``. All ways send in one run, in turns, so that the ratios hold on a busy
machine; a receiver's socket takes what fits and nobody reads it.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from pythonosc.udp_client import SimpleUDPClient

from aggregator.outputs.osc import OscSettings
from aggregator.outputs.osc_sender import OscSender, Target
from aggregator.snapshot import Snapshot
from relay.seat_plan import generated
from tests.aggregator.helper_outputs import snapshot

SEATS = 5_000
TICKS = 40
ROUNDS = 3
EVERYTHING = 10_000  # datagrams a tick: no bound, so that each way carries the same


def moving(ticks: int) -> list[Snapshot]:
    """Snapshots of which every seat moves by more than the deadband at each tick: the worst case."""
    base = snapshot(generated(SEATS))
    random = np.random.default_rng(5)
    return [
        replace(base, k=k, sequence=k, cut_ms=base.cut_ms + 50 * k, arousal=random.random(SEATS, dtype=np.float32))
        for k in range(ticks)
    ]


def sender(port: int, settings: OscSettings, *, segmented: bool = True) -> Callable[[Snapshot, int], None]:
    """Our sender; without segmentation each datagram is one call."""
    made = OscSender(generated(SEATS), settings, [Target("127.0.0.1", port)])
    if not segmented:
        made._links[0]._counts.segmented = False
    return lambda shot, tick: void(made.send(shot, tick / 20))


def void(_: object) -> None:
    """Drop a result."""


def one_datagram_a_seat(port: int) -> Callable[[Snapshot, int], None]:
    """What python-osc's documentation shows: one message, one datagram, for each seat."""
    client = SimpleUDPClient("127.0.0.1", port)
    addresses = [f"/seat/{n:04d}/arousal" for n in range(1, SEATS + 1)]

    def send(shot: Snapshot, _: int) -> None:
        pairs = zip(addresses, shot.arousal.tolist(), shot.confidence.tolist(), strict=True)
        for address, arousal, confidence in pairs:
            client.send_message(address, [arousal, confidence])

    return send


def cpu_ms(send: Callable[[Snapshot, int], None], shots: list[Snapshot]) -> float:
    began = time.process_time()
    for tick, shot in enumerate(shots):
        send(shot, tick)
    return 1000 * (time.process_time() - began) / len(shots)


def main() -> None:
    """Print the table."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        port = receiver.getsockname()[1]
        per_seat = OscSettings(
            seat_arousal=False, seat_state=False, per_seat=True, seat_datagrams_a_tick=EVERYTHING
        )  # fmt: skip
        ways = {
            "python-osc, one datagram a seat": one_datagram_a_seat(port),
            "prebuilt, one message a seat, plain send": sender(port, per_seat, segmented=False),
            "prebuilt, one message a seat, segmented": sender(port, per_seat),
            "default: house, sections, blocks of 256": sender(port, OscSettings()),
        }
        shots = moving(TICKS)
        best = {name: min(cpu_ms(send, shots) for _ in range(ROUNDS)) for name, send in ways.items()}
    slowest = best["python-osc, one datagram a seat"]
    print(f"{SEATS} seats, all moving, {TICKS} ticks, best of {ROUNDS}; CPU milliseconds a tick (50 ms at 20 Hz)")
    for name, took in best.items():
        print(f"{name:44} {took:8.3f} ms   {slowest / took:6.1f} x")


if __name__ == "__main__":
    main()

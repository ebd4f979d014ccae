"""CPU of the load generator a packet, beside the relay's in the same run.

``python -m tests.benchmarks.bench_generator [--phones N …] [--seconds S]``

A relay process with its in-process bus (nobody reads, everything is trimmed) takes what one generator process sends;
both are charged by their own CPU clocks over the same steady seconds, acknowledgements and idle turns included.

``floor us`` is a bare send of the same size on as many sockets just before: nothing written in Python goes below it,
and it is not subtracted from anything. A machine that tracks connections (any container engine's packet filter does)
pays for it in every send; ``unshare -n sh -c 'ip link set lo up; …'`` as root measures without. Old and new are
compared by running this alternately from two working trees.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import socket
import time
from multiprocessing.connection import Connection

import numpy as np
import uvloop

from loadtest.conductor import Conductor
from loadtest.generator import raise_file_limit
from loadtest.house import Cards, House
from loadtest.measures import Measures
from loadtest.scenario import Scenario, parse
from relay.bus_memory import MemoryBus
from relay.entries import Stamp
from relay.seat_card import Keyring, issue
from relay.server import Relay, RelaySettings

EVENING = "bench"
TRIM_S = 1.0


async def relay(ring: Keyring, pipe: Connection) -> None:
    """The relay process: says its port, trims once a second, ends when told."""
    bus, made = MemoryBus(), Relay()
    await made.start(bus, RelaySettings(keyring=ring, evening=EVENING, connects_per_s=1e6))
    pipe.send(made.port)
    while not pipe.poll():
        await asyncio.sleep(TRIM_S)
        for stream in range(bus.shards + 1):
            await bus.trim(stream, Stamp(await bus.now_ms(), 0))


def serving(ring: Keyring, pipe: Connection) -> None:
    uvloop.run(relay(ring, pipe))


async def measure(phones: int, seconds: float) -> tuple[Measures, int]:
    """One run; the measures and the pid that was the relay's."""
    ring = Keyring.generate()
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serving, args=(ring, theirs))
    process.start()
    port = ours.recv()
    tokens = tuple(issue(ring, EVENING, seat + 1) for seat in range(phones))
    cards = Cards(tuple(range(1, phones + 1)), tokens, ("all",), (0,) * phones)
    house = House(f"ws://127.0.0.1:{port}/phone", cards, processes={"relay": process.pid or 0})
    scenario = parse(f"phones = {phones}\nseconds = {seconds + 8}\nprobes = 0\n[join]\nover_s = 4.0\n", "bench")
    measures = Measures()
    conductor = Conductor(scenario, house, cards, measures, None)
    try:
        await conductor.run(wait)
    finally:
        ours.send("stop")
        await asyncio.to_thread(process.join, 5)
    return measures, phones


async def wait(conductor: Conductor) -> None:
    """Nothing happens to the house in this run."""
    scenario: Scenario = conductor.scenario
    await conductor.until(scenario.seconds)


def steady_us(measures: Measures, seconds: float) -> tuple[float, float, float, float]:
    """Generator's and relay's CPU microseconds a packet over the steady seconds, packets a second, lateness p99."""
    rows = [r for r in measures.rows if 6.0 < r.t_s < 6.0 + seconds]
    sent = rows[-1].packets - rows[0].packets
    took_s = rows[-1].t_s - rows[0].t_s
    own = sum(r.own_cpu for r in rows[1:]) / took_s * took_s / sent * 1e6
    theirs = float(np.nansum([r.house_cpu for r in rows[1:]])) / sent * 1e6
    return own, theirs, sent / took_s, measures.late.percentile(99) * 1e3


def send_us(count: int = 500, rounds: int = 10) -> float:
    """CPU of one bare send on loopback, this moment: what no Python generator can go below."""
    pairs = []
    with socket.create_server(("127.0.0.1", 0)) as door:
        for _ in range(count):
            out = socket.create_connection(door.getsockname())
            pairs.append((out, door.accept()[0]))
    raw = bytes(84)  # a packet of pulse, skin and temperature with its header; three of four have 74
    began = time.process_time()
    for _ in range(rounds):
        for out, _far in pairs:
            out.send(raw)
    took = time.process_time() - began
    for out, far in pairs:
        out.close()
        far.close()
    return took / count / rounds * 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--phones", type=int, nargs="*", default=[500, 2000, 4000])
    parser.add_argument("--seconds", type=float, default=10.0)
    args = parser.parse_args()
    raise_file_limit()
    print("phones  packets/s  generator us  floor us  relay us  ratio  late p99 ms  kB/phone")
    empty = None
    for phones in args.phones:
        floor = send_us(phones, 4)
        measures, _ = asyncio.run(measure(phones, args.seconds))
        own, theirs, rate, late = steady_us(measures, args.seconds)
        memory = measures.last("memory_bytes")
        empty = memory if empty is None else empty
        extra = (memory - empty) / (phones - args.phones[0]) / 1e3 if phones > args.phones[0] else float("nan")
        print(
            f"{phones:>6} {rate:>10.0f} {own:>13.1f} {floor:>9.1f} {theirs:>9.1f} {own / theirs:>6.2f} {late:>12.1f} "
            f"{extra:>9.1f}"
        )


if __name__ == "__main__":
    main()

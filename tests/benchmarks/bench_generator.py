"""CPU of the load generator a packet, beside the relay's in the same run.

``python -m tests.benchmarks.bench_generator [--phones N …] [--seconds S] [--namespace]``

A relay process with its in-process bus (nobody reads, everything is trimmed) takes what one generator process sends;
both are charged by their own CPU clocks over the same steady seconds, acknowledgements and idle turns included.

Two figures say what the kernel asks of any generator, and neither is subtracted from anything. ``floor us`` is a bare
send of the same size, which nobody reads. ``read us`` is the same send from as many sockets on the same schedule while
another process does nothing but read them: no sockets of one's own to look after, no packets to make, nothing to
receive. A machine that tracks connections (any container engine's packet filter does) pays for it in every send:
``--namespace`` runs all of it in a network namespace of its own, where nothing is tracked (Linux, ``unshare``). Old
and new are compared by running this alternately from two working trees.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import os
import select
import socket
import subprocess
import sys
import time
from multiprocessing.connection import Connection

import numpy as np
import uvloop

from loadtest.conductor import Conductor
from loadtest.generator import raise_file_limit
from loadtest.house import Cards, House
from loadtest.measures import Measures
from loadtest.scenario import Scenario, parse
from loadtest.schedule import SLOTS
from relay.bus_memory import MemoryBus
from relay.entries import Stamp
from relay.seat_card import Keyring, issue
from relay.server import Relay, RelaySettings

EVENING = "bench"
TRIM_S = 1.0
JOINS_A_SECOND = 750.0
SETTLE_S = 4.0
SPARE_FILES = 200  # descriptors that are no phone


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


def join_s(phones: int) -> float:
    """Time in which so many join without making anybody late."""
    return max(4.0, phones / JOINS_A_SECOND)


def steady_from_s(phones: int) -> float:
    """From here on nobody joins and no backlog is left."""
    return join_s(phones) + SETTLE_S


async def measure(phones: int, seconds: float) -> Measures:
    """One run."""
    ring = Keyring.generate()
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serving, args=(ring, theirs))
    process.start()
    port = ours.recv()
    tokens = tuple(issue(ring, EVENING, seat + 1) for seat in range(phones))
    cards = Cards(tuple(range(1, phones + 1)), tokens, ("all",), (0,) * phones)
    house = House(f"ws://127.0.0.1:{port}/phone", cards, processes={"relay": process.pid or 0})
    whole_s = steady_from_s(phones) + seconds + 1.0
    text = f"phones = {phones}\nseconds = {whole_s}\nprobes = 0\n[join]\nover_s = {join_s(phones)}\n"
    scenario = parse(text, "bench")
    measures = Measures()
    conductor = Conductor(scenario, house, cards, measures, None)
    try:
        await conductor.run(wait)
    finally:
        ours.send("stop")
        await asyncio.to_thread(process.join, 5)
    return measures


async def wait(conductor: Conductor) -> None:
    """Nothing happens to the house in this run."""
    scenario: Scenario = conductor.scenario
    await conductor.until(scenario.seconds)


def steady_us(measures: Measures, begin_s: float, seconds: float) -> tuple[float, float, float, float]:
    """Generator's and relay's CPU microseconds a packet over the steady seconds, packets a second, and how many
    milliseconds late 99 of 100 slots were at most, in the middle one of the seconds."""
    rows = [r for r in measures.rows if begin_s < r.t_s < begin_s + seconds]
    sent = rows[-1].packets - rows[0].packets
    took_s = rows[-1].t_s - rows[0].t_s
    own = sum(r.own_cpu for r in rows[1:]) / sent * 1e6
    theirs = float(np.nansum([r.house_cpu for r in rows[1:]])) / sent * 1e6
    return own, theirs, sent / took_s, float(np.median([r.late_p99_ms for r in rows]))


PACKET = bytes(84)  # pulse, skin and temperature with its header; three of four have 74
FLOOR_SOCKETS = 2000
INSIDE = 'ip link set lo up && exec "$@"'  # a new namespace's loopback is down


def send_us(count: int, rounds: int = 4) -> float:
    """CPU of one bare send on loopback, this moment: what no generator in Python can go below."""
    pairs = []
    with socket.create_server(("127.0.0.1", 0)) as door:
        for _ in range(count):
            out = socket.create_connection(door.getsockname())
            pairs.append((out, door.accept()[0]))
    began = time.process_time()
    for _ in range(rounds):
        for out, _far in pairs:
            out.send(PACKET)
    took = time.process_time() - began
    for out, far in pairs:
        out.close()
        far.close()
    return took / count / rounds * 1e6


def reading(door: socket.socket, count: int) -> None:
    """Accepts so many connections and reads them until the process is ended."""
    poll, far = select.epoll(), {}
    for _ in range(count):
        one = door.accept()[0]
        far[one.fileno()] = one
        poll.register(one.fileno(), select.EPOLLIN)
    while True:
        for file, _event in poll.poll():
            far[file].recv(4096)


def read_us(count: int, packets_a_second: float = 4.0, seconds: float = 3.0) -> float:
    """CPU of one bare send on the generator's schedule to a process that only reads."""
    with socket.create_server(("127.0.0.1", 0), backlog=4096) as door:
        process = multiprocessing.get_context("fork").Process(target=reading, args=(door, count), daemon=True)
        process.start()
        slots = [[socket.create_connection(door.getsockname()) for _ in range(at, count, SLOTS)] for at in range(SLOTS)]
    sent, start_s, began = 0, time.monotonic(), time.process_time()
    for number in range(round(seconds * packets_a_second * SLOTS)):
        time.sleep(max(0.0, start_s + number / (packets_a_second * SLOTS) - time.monotonic()))
        for out in slots[number % SLOTS]:
            out.send(PACKET)
        sent += len(slots[number % SLOTS])
    took = time.process_time() - began
    process.terminate()
    process.join()
    for out in (one for slot in slots for one in slot):
        out.close()
    return took / sent * 1e6


def row(phones: int, seconds: float, empty: list[float]) -> str:
    """One run as a line; ``empty`` gathers (phones, memory) of the first run, which the others are compared with."""
    floor, read = send_us(min(phones, FLOOR_SOCKETS)), read_us(phones)
    measures = asyncio.run(measure(phones, seconds))
    own, theirs, rate, late = steady_us(measures, steady_from_s(phones), seconds)
    memory = measures.last("memory_bytes")
    if not empty:
        empty += [phones, memory]
    extra = (memory - empty[1]) / (phones - empty[0]) / 1e3 if phones > empty[0] else float("nan")
    return (
        f"{phones:>6} {rate:>10.0f} {own:>13.1f} {floor:>9.1f} {read:>8.1f} {theirs:>9.1f} {own / theirs:>6.2f} "
        f"{late:>12.1f} {extra:>9.1f}"
    )


def in_namespace() -> int:
    """This command again in a network namespace of its own; its exit code."""
    words = [word for word in sys.argv[1:] if word != "--namespace"]
    user = [] if os.geteuid() == 0 else ["--map-root-user"]
    command = ["unshare", "--net", *user, "sh", "-c", INSIDE, "sh", sys.executable, "-m", __spec__.name, *words]
    print("in a network namespace of its own: no connection is tracked")
    return subprocess.run(command, check=False).returncode


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--phones", type=int, nargs="*", default=[500, 2000, 4000, 7500])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--namespace", action="store_true", help="measure where no connection is tracked")
    args = parser.parse_args()
    if args.namespace:
        return in_namespace()
    most = raise_file_limit() - SPARE_FILES
    if max(args.phones) > most:
        parser.error(f"--phones {max(args.phones)}: a process may open {most} files here (ulimit -Hn)")
    print("phones  packets/s  generator us  floor us  read us  relay us  ratio  late p99 ms  kB/phone", flush=True)
    empty: list[float] = []
    for phones in args.phones:
        print(row(phones, args.seconds, empty), flush=True)
    print("floor, read: what the kernel asks of bare sends that nobody reads, that another process reads")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The relay at an arena's rate: ``python -m tests.benchmarks.bench_arena [--seconds 10] [--rates 2000 30000]``.

Every phone sends 4 packets a second of 78 bytes, so 30,000 packets a second are 7,500 websocket connections; each
packet is read, unmasked, checked, written to a Redis with an append-only file, and acknowledged. Beside it, in the same
run and from the same generator: the same relay on ``websockets``, and Debian's mosquitto doing the relay's part
(websockets in, one subscriber), with the same bytes as publications of quality of service 0 (never acknowledged) and 1
(each acknowledged). A connection's cost is measured while all are opened, 256 under way at once.

CPU is a process's own, all threads, from the kernel's clock for it, so that the generator on the same machine does not
count; its share is printed beside. ``reached`` below ``asked``: the machine, generator included, was full.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from tests.benchmarks.bench_relay import serving
from tests.benchmarks.servers import cpu_s, mosquitto, redis, resident_bytes
from tests.benchmarks.swarm import Generators, sensor_packet

PACKETS_A_PHONE = 4.0  # a second
SETTLE_S = 2.0  # of sending before the measured time
PATIENCE_S = 10.0  # for the last packets' way through a machine that is full
RELAYS = ("picows, gathering", "picows", "websockets, gathering", "websockets")
BROKERS = ("mosquitto, QoS 0", "mosquitto, QoS 1")
PUBLISHED_BYTES = 2 + 2 + len("p/00000") + len(sensor_packet())


@dataclass(frozen=True, slots=True)
class Running:
    """One server: its process, its port, how many packets it has passed on, and Redis's process or 0."""

    pid: int
    port: int
    passed: Callable[[], int]
    redis_pid: int = 0


@contextmanager
def relay(kind: str) -> Iterator[Running]:
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    with redis() as (redis_pid, url):
        process = spawn.Process(target=serving, args=(kind, url, theirs))
        process.start()
        assert process.pid is not None

        def passed() -> int:
            ours.send("how much")
            return int(ours.recv()[3])

        try:
            yield Running(process.pid, ours.recv(), passed, redis_pid)
        finally:
            ours.send("stop")
            process.join(10)


@contextmanager
def broker(_kind: str) -> Iterator[Running]:
    with mosquitto(PUBLISHED_BYTES) as (pid, port, subscriber):
        yield Running(pid, port, lambda: subscriber.messages)


def _until_passed(server: Running, wanted: int) -> int:
    """Wait until all of it was passed on, a while at most; how many are missing."""
    limit_s = time.monotonic() + PATIENCE_S
    while (now := server.passed()) < wanted and time.monotonic() < limit_s:
        time.sleep(0.1)
    return wanted - now


def measure(kind: str, rate: float, seconds: float, generators: int) -> str:
    """One row of the table."""
    phones = round(rate / PACKETS_A_PHONE)
    of_broker = kind in BROKERS
    with (broker if of_broker else relay)(kind) as server:
        joined = 0 if of_broker else 2 * phones  # a consent and a join of each are accepted before its packets
        swarm = Generators(server.port, phones, generators, kind.rpartition(", ")[2] if of_broker else "relay")
        before_s, before_bytes = cpu_s(server.pid), resident_bytes(server.pid)
        opening_s = swarm.open()
        connect_us = (cpu_s(server.pid) - before_s) / phones * 1e6
        connection_kb = (resident_bytes(server.pid) - before_bytes) / phones / 1e3
        _until_passed(server, joined)
        sent_before = joined + swarm.run(rate, SETTLE_S)[0]
        _until_passed(server, sent_before)
        passed, used_s, redis_s = server.passed(), cpu_s(server.pid), server.redis_pid and cpu_s(server.redis_pid)
        sent, generator_s, took_s = swarm.run(rate, seconds)
        lost = _until_passed(server, sent_before + sent)
        done = max(server.passed() - passed, 1)
        used_s = cpu_s(server.pid) - used_s
        redis_s = cpu_s(server.redis_pid) - redis_s if server.redis_pid else 0.0
        swarm.close()
    return (
        f"| {kind} | {phones} | {rate:.0f} | {sent / took_s:.0f} | {lost} | {used_s / done * 1e6:.1f} "
        f"| {redis_s / done * 1e6:.1f} | {generator_s / sent * 1e6:.1f} | {connection_kb:.1f} | {connect_us:.0f} "
        f"| {phones / opening_s:.0f} |"
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=float, default=10.0)
    options.add_argument("--rates", type=float, nargs="+", default=[2_000.0, 30_000.0])
    options.add_argument("--generators", type=int, default=1, help="processes that send")
    options.add_argument("--only", nargs="+", choices=RELAYS + BROKERS, default=RELAYS + BROKERS)
    chosen = options.parse_args()
    print(
        "| server | connections | packets/s asked | reached | not passed on | CPU us a packet | Redis us a packet "
        "| generator us a packet | kB a connection | CPU us a connect | connects/s |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for rate in chosen.rates:
        for kind in chosen.only:
            print(measure(kind, rate, chosen.seconds, chosen.generators), flush=True)


if __name__ == "__main__":
    main()

"""How old a packet is when the first snapshot that has used it is sent: ``python -m tests.benchmarks.bench_latency``.

The real commands run as processes of their own: ``ripieno serve`` (embedded), or Redis, ``ripieno relay`` and ``ripieno
aggregate``; 2,000 phones on real websockets send four packets a second of a made-up pulse, skin and temperature. From:
the moment before the phone's ``send`` of the whole packet (loopback delivers it within that call, so that its last byte
is at the relay no earlier: the figure includes the relay's rest between two turns). To: the moment after the outputs
(Open Sound Control to a bare socket) were handed the snapshot. Included: the engine's own position in that packet's
stream (``Engine.positions``, the last entry that a tick has used) had reached the packet's entry when that snapshot was
computed; the entries are seen where the service reads them. All clocks are this machine's monotonic one.

Embedded, the house shares its one process with the relay; ``--tick-hz`` sets the tick (20: 50 ms). Latency is judged
of ``--judged`` phones spread over the house; *never used* counts the packets of all phones that no tick has used by the
end: 0 is no loss between a phone's socket and the engine. An arena, 5 minutes, memory every half a minute::

    python -m tests.benchmarks.bench_latency --phones 10000 --seconds 300 --only Redis --memory-every 30
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import signal
import socket
import struct
import tempfile
import time
from collections import deque
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.command import aggregate, aggregation, house
from aggregator.command import main as ripieno
from aggregator.service import Service
from aggregator.snapshot import Snapshot
from relay.entries import Entry, decode_packets, is_packets
from relay.seat_card import issue, pseudonym
from relay.wire import Block, Packet, encode
from tests.benchmarks.servers import cpu_s, free_port, redis, resident_bytes
from tests.benchmarks.swarm import MASK, Dialect, Swarm, masked, upgrade
from tests.relay.house import framed
from tests.relay.phone import EVENING, RING, hello

PACKET_US = 250_000
WAVES, WAVE_PACKETS = 8, 60  # so many people's signals, 15 s each, begun at different places
CHANNELS = [
    {"name": "pulse", "rate_hz": 52},
    {"name": "skin", "rate_hz": 8, "unit": "uS", "scale": 0.001, "offset": 0},
    {"name": "temperature", "rate_hz": 4, "unit": "C", "scale": 0.01, "offset": 0},
]
BODY_AT = 6 + 16 + 3 * 8  # in the message: websocket header and mask, packet header, three descriptors
WARM_S = 5.0  # not judged: connections, first resting samples, the lead's lease
TAIL_S = 1.0  # not judged: what the last snapshots may not have used yet
END_S = 5.0  # from the last packet sent to the house's end
START_LIMIT_S = 20.0
CONNECTS_A_SECOND = 1_000.0  # below what a relay admits (3,000): who is turned away would have to come back


def waves() -> list[list[bytes]]:
    """Masked bodies of the packets of :data:`WAVES` people, repeating after 15 s."""
    made = []
    for person in range(WAVES):
        at_s = np.arange(13 * WAVE_PACKETS) / 52
        beat = 2 * np.pi * (15 + person) / 15 * at_s
        pulse = (1000 * np.sin(beat) + 400 * np.sin(2 * beat + 1)).astype(np.int16).reshape(WAVE_PACKETS, 13)
        skin = (3000 + 200 * np.sin(2 * np.pi * np.arange(2 * WAVE_PACKETS) / 8 / 15)).astype(np.int16).reshape(-1, 2)
        made.append([masked(_packet(p, s))[BODY_AT:] for p, s in zip(pulse, skin, strict=True)])
    return made


def _packet(pulse: NDArray[np.int16], skin: NDArray[np.int16]) -> bytes:
    return encode(Packet(0, 0, (Block(0, 0, pulse), Block(1, 0, skin), Block(2, 0, np.array([3300], np.int16)))))


class LivePhones(Swarm):
    """Phones whose signals go on, and that remember when each packet was sent."""

    def __init__(self, port: int, count: int, every: int) -> None:
        empty = masked(_packet(np.zeros(13, np.int16), np.zeros(2, np.int16)))
        super().__init__(port, 1, count, Dialect(
            upgrade("/phone"),
            lambda seat: framed(hello(seat=seat, stream=f"{seat:x}", channels=CHANNELS).encode(), 0x81),
            lambda _seat: empty, struct.Struct("<I"), 10,
        ))  # fmt: skip
        self._waves = waves()
        self._head = struct.Struct("<IQ")
        self._veils = self._head.unpack(MASK * 3)
        self.every = every
        self.sent_s: list[list[float]] = [[] for _ in range(0, count, every)]

    def _send(self, turn: int, count: int) -> int:
        for _ in range(count):
            message, number = self._messages[turn], self._numbers[turn]
            self._head.pack_into(message, 10, number ^ self._veils[0], number * PACKET_US ^ self._veils[1])
            message[BODY_AT:] = self._waves[turn % WAVES][(number + turn) % WAVE_PACKETS]
            self._numbers[turn] = number + 1
            if turn % self.every == 0:
                self.sent_s[turn // self.every].append(time.monotonic())
            self.sockets[turn].send(message)
            turn = (turn + 1) % len(self.sockets)
        return turn


def phoning(port: int, count: int, every: int, seconds: float, pipe: Connection) -> None:
    """Entry of the phones' process: says when all are connected, then each judged packet's moment, and how many packets
    were sent, at what rate."""
    phones = LivePhones(port, count, every)
    pipe.send(phones.open(CONNECTS_A_SECOND))
    began_s = time.monotonic()
    phones.run(4.0 * count, seconds)
    rate = phones.sent / (time.monotonic() - began_s)
    pipe.send("sent")
    time.sleep(END_S)
    pipe.send((np.array([one[: min(map(len, phones.sent_s))] for one in phones.sent_s]), phones.sent, rate))
    phones.close()


class Watch:
    """At the service: which packet was in which entry, and when the first snapshot with it had been sent."""

    def __init__(self, service: Service, judged: NDArray[np.uint64]) -> None:
        self._service, self._judged = service, judged
        self.used = 0
        self._unused: dict[int, deque[Entry]] = {}
        self.rows: list[tuple[NDArray[Any], NDArray[np.int64], float]] = []
        service.on_entries.append(self._read)
        service.on_snapshot.append(self._sent)

    def _read(self, entries: Sequence[Entry]) -> None:
        for entry in entries:
            if is_packets(entry.payload):
                self._unused.setdefault(entry.stream, deque()).append(entry)

    def _sent(self, _snapshot: Snapshot) -> None:
        now_s, positions = time.monotonic(), self._service.engine.positions()
        for stream, unused in self._unused.items():
            while unused and stream in positions and unused[0].stamp <= positions[stream]:
                self._used(unused.popleft().payload, now_s)

    def _used(self, payload: bytes, now_s: float) -> None:
        """Looked into only now, so that the watching makes no snapshot later."""
        batch = decode_packets(payload)
        chosen = np.flatnonzero(np.isin(batch.records["listener"], self._judged))
        sequence = [int.from_bytes(payload[at + 4 : at + 8], "little") for at in batch.starts[chosen].tolist()]
        self.used += len(batch.records)
        self.rows.append((batch.records["listener"][chosen], np.array(sequence, np.int64), now_s))

    def save(self, path: Path) -> None:
        empty = (np.zeros(0, np.uint64), np.zeros(0, np.int64), 0.0)  # where no snapshot was ever sent
        listeners, sequences, moments = zip(empty, *self.rows, strict=True)
        sizes = [len(one) for one in sequences]
        np.savez(
            path, listener=np.concatenate(listeners), sequence=np.concatenate(sequences), used=self.used,
            sent=np.repeat(moments, sizes),
        )  # fmt: skip


def pseudonyms(phones: int, every: int) -> list[int]:
    return [pseudonym(RING, EVENING, issue(RING, EVENING, seat + 1)) for seat in range(0, phones, every)]


def commanding(words: list[str], folder: str, judged: list[int]) -> None:
    """Entry of a house's process: the command itself, watched where it has a service; its log is written at its end."""
    os.chdir(folder)
    watches: list[Watch] = []

    async def watched(*positional: Any, **named: Any) -> Any:
        inner = await aggregation.open_aggregation(*positional, **named)
        watches.append(Watch(inner.service, np.array(judged, np.uint64)))
        return inner

    for command in (aggregate, house):
        vars(command)["open_aggregation"] = watched
    ripieno(words)
    if watches:
        watches[0].save(Path(folder) / "log.npz")


def measure(kind: str, chosen: argparse.Namespace) -> None:
    """Print one row of the table, and how much memory each process held."""
    spawn, every = multiprocessing.get_context("spawn"), max(1, chosen.phones // chosen.judged)
    listeners = pseudonyms(chosen.phones, every)
    with (
        tempfile.TemporaryDirectory() as folder,
        redis() as (redis_pid, url),
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as osc,
    ):
        osc.bind(("127.0.0.1", 0))
        bus, osc_port = url if kind == "Redis" else "memory", osc.getsockname()[1]
        port = _settings(Path(folder), chosen.phones, bus, chosen.tick_hz, osc_port)
        roles = ["relay", "aggregate"] if kind == "Redis" else ["serve"]
        words = [[role, "--settings", "evening.toml"] for role in roles]
        made = {one[0]: spawn.Process(target=commanding, args=(one, folder, listeners)) for one in words}
        for process in made.values():
            process.start()
        try:
            _until_open(port)
            pids = {role: process.pid or 0 for role, process in made.items()}
            run = Run(port, chosen, every, pids | ({"Redis": redis_pid} if kind == "Redis" else {}))
        finally:
            for process in made.values():
                os.kill(process.pid or 0, signal.SIGTERM)
                process.join(20)
        with np.load(Path(folder) / "log.npz") as log:
            late_ms, missing = _lateness(run.sent_s, listeners, log)
            unused = run.sent - int(log["used"])
    if not len(late_ms):
        print(f"| {kind} | {chosen.phones} | no judged packet was ever used: the machine is too busy | {run.shares} |")
        return
    p50, p95, p99 = np.percentile(late_ms, [50, 95, 99])
    print(
        f"| {kind} | {chosen.phones} | {run.rate:.0f} | {unused} | {len(late_ms)} | {missing} | {p50:.0f} | {p95:.0f} "
        f"| {p99:.0f} | {late_ms.max():.0f} | {run.shares} | {os.getloadavg()[0]:.1f} |",
        flush=True,
    )
    for line in run.memory:
        print(line, flush=True)


class Run:
    """The phones' part of one run, with the house's processor shares and memory seen meanwhile.

    ``sent_s`` (judged phones, packets): each packet's moment; ``sent`` packets of all phones; ``rate`` a second."""

    def __init__(self, port: int, chosen: argparse.Namespace, every: int, pids: dict[str, int]) -> None:
        spawn = multiprocessing.get_context("spawn")
        ours, theirs = spawn.Pipe()
        process = spawn.Process(target=phoning, args=(port, chosen.phones, every, chosen.seconds, theirs))
        process.start()
        ours.recv()
        pids = pids | {"generator": process.pid or 0}
        before, began_s = {role: cpu_s(pid) for role, pid in pids.items()}, time.monotonic()
        self.memory: list[str] = []
        while not ours.poll(chosen.memory_every or None):
            held = ", ".join(f"{role} {resident_bytes(pid) / 1e6:.0f} MB" for role, pid in pids.items())
            self.memory.append(f"memory after {time.monotonic() - began_s:.0f} s: {held}")
        ours.recv()
        took_s = time.monotonic() - began_s
        self.shares = ", ".join(f"{role} {(cpu_s(pid) - before[role]) / took_s:.0%}" for role, pid in pids.items())
        self.sent_s, self.sent, self.rate = ours.recv()
        process.join(20)


def _settings(folder: Path, seats: int, url: str, tick_hz: float, osc_port: int) -> int:
    """Write evening.toml and the keyring; returns the port for phones."""
    port = free_port()
    (folder / "keyring.json").write_text(RING.dump())
    (folder / "evening.toml").write_text(
        f'[evening]\nid = "{EVENING}"\nseats = {seats}\nkeyring = "keyring.json"\n[relay]\nport = {port}\n'
        f'[bus]\nurl = "{url}"\n[engine]\ntick_hz = {tick_hz}\n[outputs]\nosc = ["127.0.0.1:{osc_port}"]\n'
        f'[monitor]\nport = {free_port()}\n[checkpoint]\npath = "kept"\n'
    )
    if url != "memory":
        (folder / "kept").mkdir()
    return port


def _until_open(port: int) -> None:
    limit_s = time.monotonic() + START_LIMIT_S
    while time.monotonic() < limit_s:
        with socket.socket() as one:
            if one.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    raise TimeoutError("the house did not open its door")


def _lateness(sent_s: NDArray[np.float64], listeners: list[int], log: Any) -> tuple[NDArray[np.float64], int]:
    """Milliseconds from sent to used of every judged packet, and how many judged packets were never used."""
    places = {listener: place for place, listener in enumerate(listeners)}
    place, sequence = np.array([places[one] for one in log["listener"].tolist()]), log["sequence"]
    known = sequence < sent_s.shape[1]
    used_s = np.full(sent_s.shape, np.nan)
    used_s[place[known], sequence[known]] = log["sent"][known]
    judged = (sent_s > sent_s.min() + WARM_S) & (sent_s < sent_s.max() - TAIL_S)
    late_ms = (used_s - sent_s)[judged] * 1e3
    return late_ms[np.isfinite(late_ms)], int(np.isnan(late_ms).sum())


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--phones", type=int, default=2_000)
    options.add_argument("--seconds", type=float, default=30.0)
    options.add_argument("--tick-hz", type=float, default=20.0)
    options.add_argument("--judged", type=int, default=500, help="about so many phones' packets are followed")
    options.add_argument("--memory-every", type=float, default=0.0, metavar="S", help="0: not shown")
    options.add_argument("--only", choices=("embedded", "Redis"))
    chosen = options.parse_args()
    print(
        "| bus | phones | packets/s | never used | judged | of them never used | p50 ms | p95 ms | p99 ms | most ms "
        "| processor shares | load of the machine |\n|---|---|---|---|---|---|---|---|---|---|---|---|"
    )
    for kind in (chosen.only,) if chosen.only else ("embedded", "Redis"):
        measure(kind, chosen)


if __name__ == "__main__":
    main()

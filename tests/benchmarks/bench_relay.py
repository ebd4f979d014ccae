"""CPU of the relay process a packet: ``python -m tests.benchmarks.bench_relay [--seconds 5] [--bus redis://…]``.

The relay runs in a process of its own (uvloop); this one sends ready-made masked packets of 84 bytes over real
sockets, in bursts of phones that become ready together, and reads the acknowledgements. All-in: reading, unmasking,
header check, outbox, bus, acknowledgement. The same core under the ``websockets`` server runs beside it for the ratio.
Figures depend on the machine and on what else runs: compare within one run only. With Redis, at an arena's rates, and
what a connect costs: ``bench_arena`` (here they are opened one after another, which charges each with the turns of the
loop that it waits for).
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import multiprocessing
import selectors
import socket
import struct
import time
from collections.abc import Awaitable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
import uvloop
import websockets
from websockets.asyncio.server import ServerConnection

from relay.bus import Bus
from relay.bus_memory import MemoryBus
from relay.entries import Origin, Stamp, encode_control
from relay.outbox import Outbox
from relay.server import Relay, RelaySettings
from relay.server_core import RelayCore, monotonic_ms
from relay.session import Session
from relay.session_table import House
from relay.turns import gather
from relay.wire import Block, Packet, encode
from tests.relay.house import framed
from tests.relay.phone import EVENING, RING, hello

TRIM_S = 1.0
GATHER_MS = 5.0
KINDS = ("picows", "picows, gathering", "websockets", "websockets, gathering")
DRAIN_EVERY = 16  # bursts between two readings of the acknowledgements


class WebsocketsPhone:
    """The same core under another websocket library (websockets): for the ratio, and to show that it can be changed."""

    def __init__(self, core: RelayCore, socket: ServerConnection) -> None:
        self._socket, self._sending = socket, set[asyncio.Task[None]]()
        self.listener = self.stream = 0
        self.outbox: Outbox | None = None
        self.heard_ms = core.clock_ms()
        self.session = Session(core.house, self.heard_ms)

    def send(self, text: str) -> None:
        self._start(self._say(text))

    async def _say(self, text: str) -> None:
        with contextlib.suppress(websockets.ConnectionClosed):
            await self._socket.send(text)

    def close(self, code: int, reason: str) -> None:
        self._start(self._socket.close(code, reason))

    def ping(self) -> None:
        return  # the clients here never fall silent

    def _start(self, what: Any) -> None:
        task = asyncio.ensure_future(what)
        self._sending.add(task)
        task.add_done_callback(self._sending.discard)


async def serve_websockets(bus: Bus, gather_ms: float) -> tuple[RelayCore, int, asyncio.Task[None]]:
    core = RelayCore(bus, House(RING, EVENING, bus_id="bench"))

    async def one(connection: ServerConnection) -> None:
        phone = WebsocketsPhone(core, connection)
        core.opened(phone)
        with contextlib.suppress(websockets.ConnectionClosed):
            async for message in connection:
                phone.heard_ms = core.clock_ms()
                if isinstance(message, str):
                    core.text(phone, message)
                else:
                    core.samples(phone, message, phone.heard_ms)
        core.lost(phone)

    server = await websockets.serve(
        one, "127.0.0.1", 0, compression=None, max_size=4096, ping_interval=None, backlog=4096
    )
    running = asyncio.create_task(core.run(paced=gather_ms > 0.0))
    if gather_ms > 0.0:
        gather(core, running, gather_ms / 1000)
    return core, next(iter(server.sockets)).getsockname()[1], running


async def serve(kind: str, bus_url: str, pipe: Connection) -> None:
    """The relay process: says its port, then its CPU seconds, packets and memory whenever it is asked."""
    bus: Bus = MemoryBus()
    if bus_url:
        from relay.bus_redis import RedisBus
        from relay.redis_client import parse_url

        bus = RedisBus(parse_url(bus_url), EVENING)
    origin = Origin(await bus.now_ms(), 20.0, 1)  # an aggregator's: relays write in step with its ticks
    await bus.append(bus.shards, [encode_control(origin)])
    gather_ms = GATHER_MS if kind.endswith("gathering") else 0.0
    running: asyncio.Task[None] | None
    if kind.startswith("picows"):
        relay = Relay()
        await relay.start(bus, RelaySettings(keyring=RING, evening=EVENING, connects_per_s=1e6, gather_ms=gather_ms))
        core, port, running = relay.core, relay.port, None
    else:
        core, port, running = await serve_websockets(bus, gather_ms)
    pipe.send(port)
    stop = asyncio.Event()

    def asked() -> None:
        try:
            word = pipe.recv()
        except EOFError:  # the benchmark was ended: so is this
            word = "stop"
        if word == "stop":
            asyncio.get_running_loop().remove_reader(pipe.fileno())
            stop.set()
        else:
            pipe.send((time.process_time(), core.counters.packets, resident_bytes(), core.counters.acknowledged))

    asyncio.get_running_loop().add_reader(pipe.fileno(), asked)
    while not stop.is_set():
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), TRIM_S)
        if not bus_url:  # on Redis that is the aggregators' part, and a run is far shorter than what it holds
            for stream in range(bus.shards + 1):
                await bus.trim(stream, Stamp(await bus.now_ms(), 0))
    if running is not None:
        running.cancel()


def resident_bytes() -> int:
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * 4096


def serving(kind: str, bus_url: str, pipe: Connection) -> None:
    """Entry of the relay process."""
    run: Any = uvloop.run
    main: Awaitable[None] = serve(kind, bus_url, pipe)
    run(main)


class Phones:
    """Bare sockets that send ready-made packets; only the sequence number changes."""

    def __init__(self, port: int, count: int, first_seat: int = 1) -> None:
        raw = encode(
            Packet(0, 0, (Block(0, 0, np.zeros(13, np.int16)), Block(1, 0, np.zeros(4, np.float32)),
                          Block(2, 0, np.zeros(1, np.int16))))
        )  # fmt: skip
        self.frame = bytearray(bytes((0x82, 0x80 | len(raw))) + bytes(4) + raw)  # a mask of zeros is a mask
        self.sockets = [self._open(port, first_seat + place) for place in range(count)]
        self.numbers = [0] * count
        self.selector = selectors.DefaultSelector()
        for one in self.sockets:
            self.selector.register(one, selectors.EVENT_READ)
        self.turn = 0

    def _open(self, port: int, seat: int) -> socket.socket:
        one = socket.create_connection(("127.0.0.1", port))
        one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        one.sendall(
            b"GET /phone HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
        )
        one.recv(4096)
        one.sendall(framed(hello(seat=seat, stream=f"{seat:x}").encode(), 0x81))
        one.recv(4096)
        one.setblocking(False)
        return one

    def burst(self, count: int) -> None:
        """The next ``count`` phones send one packet each."""
        for _ in range(count):
            self.turn = (self.turn + 1) % len(self.sockets)
            struct.pack_into("<I", self.frame, 10, self.numbers[self.turn])
            self.numbers[self.turn] += 1
            self.sockets[self.turn].send(self.frame)

    def drain(self) -> None:
        for key, _ in self.selector.select(0):
            with contextlib.suppress(BlockingIOError):
                key.fileobj.recv(65536)  # type: ignore[union-attr]

    def close(self) -> None:
        self.selector.close()
        for one in self.sockets:
            one.close()


@dataclass
class Result:
    kind: str
    rate: float
    burst: int
    cpu_us: float
    reached: float
    connection_kb: float


def measure(kind: str, rate: float, burst: int, phones: int, seconds: float, bus_url: str) -> Result:
    """One run: CPU microseconds a packet of the relay process, and the rate it really got."""
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serving, args=(kind, bus_url, theirs))
    process.start()
    port = ours.recv()

    def ask() -> tuple[float, int, int]:
        ours.send("how much")
        cpu_s, packets, size, _ = ours.recv()
        return cpu_s, packets, size

    before = ask()
    swarm = Phones(port, phones)
    opened = ask()
    run(swarm, rate, burst, 1.0)
    cpu, packets, _ = ask()
    started = time.monotonic()
    run(swarm, rate, burst, seconds)
    cpu_after, packets_after, _ = ask()
    took_s = time.monotonic() - started
    ours.send("stop")
    swarm.close()
    process.join(5)
    done = packets_after - packets
    return Result(
        kind, rate, burst, (cpu_after - cpu) / done * 1e6, done / took_s,
        (opened[2] - before[2]) / phones / 1e3,
    )  # fmt: skip


def run(swarm: Phones, rate: float, burst: int, seconds: float) -> None:
    """Send bursts on an open-loop schedule."""
    started = time.monotonic()
    for number in range(int(seconds * rate / burst)):
        wait_s = started + number * burst / rate - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        swarm.burst(burst)
        if number % DRAIN_EVERY == 0:
            swarm.drain()


PING = bytes((0x89, 0x80, 0, 0, 0, 0))
EMPTY = bytes((0x82, 0x80, 0, 0, 0, 0))
STARTING_S = 4.0  # the flooding processes import numpy first, which would be measured otherwise


def flooding(port: int, seat: int, until_s: float) -> None:
    """Entry of a flooding process: connect, send empty packets as fast as it goes, come back when cut off."""
    while time.monotonic() < until_s:
        swarm = Phones(port, 1, seat)
        with contextlib.suppress(OSError):
            while time.monotonic() < until_s:
                swarm.sockets[0].setblocking(True)
                swarm.sockets[0].sendall(EMPTY * 10_000)
        swarm.close()


def ping_ms(kind: str, seconds: float, flooders: int) -> tuple[float, float]:
    """A well-behaved phone's ping to pong, milliseconds: median and 95th percentile, beside so many flooding peers."""
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    process = spawn.Process(target=serving, args=(kind, "", theirs))
    process.start()
    port = ours.recv()
    from_s = time.monotonic() + STARTING_S
    until_s = from_s + seconds
    floods = [spawn.Process(target=flooding, args=(port, seat + 2, until_s)) for seat in range(flooders)]
    for flood in floods:
        flood.start()
    one = Phones(port, 1).sockets[0]
    one.setblocking(True)
    took_ms = []
    while time.monotonic() < until_s:
        started = time.monotonic()
        one.sendall(PING)
        got = b""
        while b"\x8a\x00" not in got:
            got = one.recv(4096)
            if not got:
                raise ConnectionError("the relay closed a well-behaved phone")
        if started > from_s:
            took_ms.append((time.monotonic() - started) * 1e3)
        time.sleep(0.02)
    one.close()
    for flood in floods:
        flood.join(5)
    ours.send("stop")
    process.join(5)
    median, high = np.percentile(took_ms, [50, 95])
    return float(median), float(high)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=float, default=5.0)
    options.add_argument("--phones", type=int, default=512)
    options.add_argument("--bus", default="")
    options.add_argument("--only", choices=KINDS)
    chosen = options.parse_args()
    print(
        f"relay process, {chosen.phones} phones, {monotonic_ms():.0f} ms since boot, bus {chosen.bus or 'in process'}"
    )
    print("| server | packets/s asked | ready together | packets/s reached | CPU us a packet | kB a connection |")
    print("|---|---|---|---|---|---|")
    for rate, burst in ((2_000, 1), (10_000, 64), (20_000, 64)):
        for kind in (chosen.only,) if chosen.only else KINDS:
            r = measure(kind, rate, burst, chosen.phones, chosen.seconds, chosen.bus)
            print(
                f"| {r.kind} | {rate} | {burst} | {r.reached:.0f} | {r.cpu_us:.1f} | {r.connection_kb:.1f} |",
                flush=True,
            )

    print("\n| server | flooding peers | ping p50 ms | p95 ms |\n|---|---|---|---|")
    for flooders in (0, 2):
        median, high = ping_ms("picows", chosen.seconds, flooders)
        print(f"| picows | {flooders} | {median:.2f} | {high:.2f} |", flush=True)


if __name__ == "__main__":
    main()

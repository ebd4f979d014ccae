"""Thousands of bare websocket clients from a process of its own, for the benchmarks: real sockets, masked messages.

A :class:`Dialect` says what a client sends; :class:`Swarm` opens the connections (so many under way at once), sends on
an open-loop schedule (client ``i`` of ``n`` sends at ``(k + i / n) / rate``, so that they do not become ready together)
and reads what comes back. Sends block when the server does not read: then the reached rate is the answer, not a loss.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import select
import socket
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection

import numpy as np

from relay.wire import Block, Packet, encode
from tests.relay.house import framed
from tests.relay.phone import hello

MASK = b"\x37\xfa\x21\x3d"
SLICE_S = 0.001  # sends are looked up so often: a finer one would only cost the generator
DRAIN_EVERY_S = 0.05  # how often the answers are read: acknowledgements wait in the kernel meanwhile
UNDER_WAY = 256  # connections being opened at once
OPEN_LIMIT_S = 60.0


@dataclass(frozen=True, slots=True)
class Dialect:
    """What one client says: ``greeting`` once the connection is a websocket, then ``message`` with the bytes at ``at``
    set to ``counter.pack(number ^ veil)``. ``welcome`` is in the greeting's answer."""

    request: bytes
    greeting: Callable[[int], bytes]
    message: Callable[[int], bytes]
    counter: struct.Struct | None
    at: int
    welcome: bytes = b'"welcome"'


def sensor_packet() -> bytes:
    """78 bytes: pulse, skin and temperature of a quarter of a second."""
    blocks = (
        Block(0, 0, np.zeros(13, np.int16)),
        Block(1, 0, np.zeros(2, np.float32)),
        Block(2, 0, np.zeros(1, np.int16)),
    )
    return encode(Packet(0, 0, blocks))


def masked(payload: bytes, first: int = 0x82) -> bytes:
    """One final message of a client; ``payload`` up to 125 bytes."""
    veil = (MASK * (len(payload) // 4 + 1))[: len(payload)]
    return bytes((first, 0x80 | len(payload))) + MASK + bytes(a ^ b for a, b in zip(payload, veil, strict=True))


def upgrade(path: str, protocol: str = "") -> bytes:
    named = f"Sec-WebSocket-Protocol: {protocol}\r\n" if protocol else ""
    return (
        f"GET {path} HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n{named}"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    ).encode()


def relay_dialect() -> Dialect:
    """A phone of PROTOCOL.md: hello with a remembered consent, then packets."""
    return Dialect(
        upgrade("/phone"),
        lambda seat: framed(hello(seat=seat, stream=f"{seat:x}").encode(), 0x81),
        lambda _seat: masked(sensor_packet()),
        struct.Struct("<I"), 10,
    )  # fmt: skip


def broker_dialect(*, acknowledged: bool) -> Dialect:
    """The same bytes as an MQTT 3.1.1 publication, a topic a client; QoS 1 is acknowledged one by one, QoS 0 never."""

    def connect(seat: int) -> bytes:
        name = f"c{seat:05d}".encode()
        body = b"\x00\x04MQTT\x04\x02\x00\x3c" + len(name).to_bytes(2, "big") + name
        return masked(bytes((0x10, len(body))) + body)

    def publish(seat: int) -> bytes:
        topic = f"p/{seat:05d}".encode()
        body = len(topic).to_bytes(2, "big") + topic + (b"\x00\x00" if acknowledged else b"") + sensor_packet()
        return masked(bytes((0x32 if acknowledged else 0x30, len(body))) + body)

    at = 6 + 2 + 2 + len("p/00000")
    counter = struct.Struct(">H") if acknowledged else None
    return Dialect(upgrade("/mqtt", "mqtt"), connect, publish, counter, at, welcome=b"\x20\x02\x00\x00")


class Swarm:
    """``count`` clients from ``first_seat`` on. Raises TimeoutError when they cannot be opened in a minute."""

    def __init__(self, port: int, first_seat: int, count: int, dialect: Dialect) -> None:
        self._port, self._dialect = port, dialect
        seats = range(first_seat, first_seat + count)
        self._greetings = [dialect.greeting(seat) for seat in seats]  # made before any clock runs
        self._messages = [bytearray(dialect.message(seat)) for seat in seats]
        self._numbers = [0] * count
        size = dialect.counter.size if dialect.counter else 0
        veil = bytes(MASK[(dialect.at - 6 + place) % 4] for place in range(size))
        self._veil = dialect.counter.unpack(veil)[0] if dialect.counter else 0
        self._limit = (1 << 8 * size) - 1
        self.sockets: list[socket.socket] = []
        self._poll = select.epoll()
        self.sent = self.received = 0

    def open(self, most_a_second: float = float("inf")) -> float:
        """Connect, upgrade and greet all, some under way at once; returns the seconds it took."""
        started = time.monotonic()
        waiting = iter(self._greetings)
        stage: dict[int, tuple[socket.socket, bytes]] = {}
        poll, left = select.epoll(), len(self._greetings)
        while left:
            due = (time.monotonic() - started) * most_a_second + 1
            while len(stage) < UNDER_WAY and len(self.sockets) < due and (greeting := next(waiting, None)) is not None:
                self._begin(poll, stage, greeting)
            for file, event in poll.poll(0.01):
                left -= self._step(poll, stage, file, event)
            if time.monotonic() - started > OPEN_LIMIT_S:
                raise TimeoutError(f"{left} of {len(self._greetings)} connections not open after {OPEN_LIMIT_S:.0f} s")
        took_s = time.monotonic() - started
        for one in self.sockets:
            self._poll.register(one.fileno(), select.EPOLLIN)
            one.setblocking(True)
        return took_s

    def _begin(self, poll: select.epoll, stage: dict[int, tuple[socket.socket, bytes]], greeting: bytes) -> None:
        one = socket.socket()
        one.setblocking(False)
        one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with contextlib.suppress(BlockingIOError):
            one.connect(("127.0.0.1", self._port))
        stage[one.fileno()] = (one, greeting)
        poll.register(one.fileno(), select.EPOLLOUT)
        self.sockets.append(one)

    def _step(self, poll: select.epoll, stage: dict[int, tuple[socket.socket, bytes]], file: int, event: int) -> int:
        """One connection goes on: connected, upgraded, welcomed (returns 1)."""
        one, greeting = stage[file]
        if event & select.EPOLLOUT:
            one.send(self._dialect.request)
            poll.modify(file, select.EPOLLIN)
            return 0
        answer = one.recv(4096)
        if not answer:
            raise ConnectionError("a connection was refused")
        if greeting:
            if not answer.startswith(b"HTTP/1.1 101"):
                raise ConnectionError(f"no upgrade: {answer[:60]!r}")
            one.send(greeting)
            stage[file] = (one, b"")
            return 0
        if self._dialect.welcome not in answer:
            raise ConnectionError(f"turned away: {answer[:80]!r}")
        poll.unregister(file)
        del stage[file]
        return 1

    def run(self, rate: float, seconds: float) -> None:
        """Send ``rate`` messages a second for so long."""
        total, began = int(rate * seconds), time.monotonic()
        sent, drain_at_s, turn = 0, began, self.sent % len(self.sockets)
        while sent < total:
            now = time.monotonic()
            due = min(total, int((now - began) * rate) + 1)
            if due <= sent:
                time.sleep(SLICE_S)
                continue
            turn = self._send(turn, due - sent)
            sent = due
            if now > drain_at_s:
                drain_at_s = now + DRAIN_EVERY_S
                self.drain()
        self.sent += sent

    def _send(self, turn: int, count: int) -> int:
        messages, numbers, sockets, dialect = self._messages, self._numbers, self.sockets, self._dialect
        pack = dialect.counter.pack_into if dialect.counter else None
        for _ in range(count):
            message = messages[turn]
            if pack is not None:
                number = numbers[turn]
                if self._limit == 0xFFFF:
                    number = number % 0xFFFF + 1  # a packet identifier of MQTT is never 0
                pack(message, dialect.at, number ^ self._veil)
                numbers[turn] += 1
            sockets[turn].send(message)
            turn += 1
            if turn == len(sockets):
                turn = 0
        return turn

    def drain(self) -> None:
        """Read what has come."""
        for file, _ in self._poll.poll(0, 4096):
            with contextlib.suppress(BlockingIOError):
                self.received += len(os.read(file, 65536))

    def close(self) -> None:
        self._poll.close()
        for one in self.sockets:
            one.close()


def swarming(port: int, first_seat: int, count: int, which: Sequence[object], pipe: Connection) -> None:
    """Entry of a generator process: does what it is told until told to stop."""
    dialect = relay_dialect() if which[0] == "relay" else broker_dialect(acknowledged=which[0] == "QoS 1")
    swarm = Swarm(port, first_seat, count, dialect)
    pipe.send("ready")
    while (order := pipe.recv()) is not None:
        if order == "open":
            pipe.send(swarm.open())
        else:
            rate, seconds = order
            before, began_s, sent = time.process_time(), time.monotonic(), swarm.sent
            swarm.run(rate, seconds)
            pipe.send((swarm.sent - sent, time.process_time() - before, time.monotonic() - began_s))
    swarm.close()


class Generators:
    """So many generator processes that share the clients."""

    def __init__(self, port: int, clients: int, processes: int, which: str) -> None:
        spawn = multiprocessing.get_context("spawn")
        self.clients, self._pipes, self._processes = clients, list[Connection](), []
        share, first = -(-clients // processes), 1
        while first <= clients:
            ours, theirs = spawn.Pipe()
            count = min(share, clients + 1 - first)
            process = spawn.Process(target=swarming, args=(port, first, count, (which,), theirs))
            process.start()
            self._pipes.append(ours)
            self._processes.append(process)
            first += count
        for pipe in self._pipes:
            pipe.recv()

    def open(self) -> float:
        """Open all connections; seconds of the slowest process."""
        for pipe in self._pipes:
            pipe.send("open")
        return max(float(pipe.recv()) for pipe in self._pipes)

    def run(self, rate: float, seconds: float) -> tuple[int, float, float]:
        """Sent, processor seconds, and the seconds that the slowest process took."""
        for pipe in self._pipes:
            pipe.send((rate / len(self._pipes), seconds))
        told = [pipe.recv() for pipe in self._pipes]
        return sum(one[0] for one in told), sum(one[1] for one in told), max(one[2] for one in told)

    def close(self) -> None:
        for pipe in self._pipes:
            pipe.send(None)
        for process in self._processes:
            process.join(10)

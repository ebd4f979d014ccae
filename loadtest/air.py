"""Bad air between phones and a house: a TCP relay that delays, stalls, cuts and (as a planted fault) loses. Shell.

``python -m loadtest.air TARGET_HOST TARGET_PORT`` reads its settings as one JSON line from standard input, prints the
port it listens on, and runs until its standard input ends. On loopback only. TCP turns a lost segment into lateness: a
loss is a stall of everything behind it. Whole websocket messages vanish only where a fault is planted on purpose.
"""

from __future__ import annotations

import asyncio
import random
import sys
from collections.abc import Sequence
from typing import Any, cast

import orjson

from loadtest.reading import read
from loadtest.scenario import Air

QUEUED_BYTES = 262_144  # beyond this a direction stops reading: the queue of a real access point is bounded too
HELLO_BYTES = 4096


class Way(asyncio.Protocol):
    """One direction of one connection: what is read here is written to ``other`` when its time has come."""

    def __init__(self, air: Air, dice: random.Random, filter_: Filter | None) -> None:
        self.air, self.dice, self.filter = air, dice, filter_
        self.other: Way | None = None
        self.transport: asyncio.Transport | None = None
        self._loop = asyncio.get_running_loop()
        self._free_at = 0.0
        self._queued = 0
        self._early = b""
        self._stall_at = self._next(air.stalls_a_minute)
        self._cut_at = self._next(air.cuts_a_minute)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)  # uvloop's transports are no subclasses of it

    def data_received(self, data: bytes) -> None:
        if self.filter is not None:
            data = self.filter.pass_on(data)
        if not data:
            return
        now = self._loop.time()
        at = now + (self.air.delay_ms + self.dice.uniform(0.0, self.air.jitter_ms)) / 1000
        if now >= self._stall_at:
            at += self.air.stall_ms / 1000
            self._stall_at = now + self._next(self.air.stalls_a_minute)
        if now >= self._cut_at:
            at += self.air.cut_s
            self._cut_at = now + self.air.cut_s + self._next(self.air.cuts_a_minute)
        self._free_at = max(self._free_at, at)
        self._queued += len(data)
        if self._queued > QUEUED_BYTES and self.transport is not None:
            self.transport.pause_reading()
        if self._free_at <= now:
            self._write(data)
        else:
            self._loop.call_at(self._free_at, self._write, data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._loop.call_at(max(self._free_at, self._loop.time()), self._end, exc)

    def _end(self, exc: Exception | None) -> None:
        if self.other is not None and self.other.transport is not None:
            (self.other.transport.abort if exc else self.other.transport.close)()

    def _write(self, data: bytes) -> None:
        self._queued -= len(data)
        if self._queued < QUEUED_BYTES // 2 and self.transport is not None and not self.transport.is_closing():
            self.transport.resume_reading()
        if self.other is not None and self.other.transport is not None:
            self.other.transport.write(data)
        else:
            self._early += data

    def joined(self, other: Way) -> None:
        """The other side is connected: what came early goes out."""
        self.other = other
        if self._early and other.transport is not None:
            other.transport.write(self._early)
            self._early = b""

    def _next(self, a_minute: float) -> float:
        return self._loop.time() + self.dice.expovariate(a_minute / 60.0) if a_minute > 0 else float("inf")


class Filter:
    """Drops whole binary messages of a client: a share of them, or all of the phones with certain cards."""

    def __init__(self, share: float, tokens: frozenset[bytes], dice: random.Random) -> None:
        self._share, self._tokens, self._dice = share, tokens, dice
        self._buffer, self._open = b"", False
        self._swallow = False

    def pass_on(self, data: bytes) -> bytes:
        """What of the client's bytes goes on to the house."""
        self._buffer += data
        made = b""
        if not self._open:
            head, end, rest = self._buffer.partition(b"\r\n\r\n")
            if not end:
                return b""
            made, self._buffer, self._open = head + end, rest, True
        while (size := _message_bytes(self._buffer)) and len(self._buffer) >= size:
            message, self._buffer = self._buffer[:size], self._buffer[size:]
            if message[0] & 0x0F == 1 and len(message) < HELLO_BYTES:
                text = _unmasked(message)
                self._swallow |= any(token in text for token in self._tokens)
            if message[0] & 0x0F != 2 or not (self._swallow or self._dice.random() < self._share):
                made += message
        return made


def _unmasked(message: bytes) -> bytes:
    """A client's message in the clear (RFC 6455: each byte exclusive-or one of four)."""
    head = {126: 4, 127: 10}.get(message[1] & 0x7F, 2)
    mask, body = message[head : head + 4], message[head + 4 :]
    key = (mask * (len(body) // 4 + 1))[: len(body)]
    return (int.from_bytes(body, "big") ^ int.from_bytes(key, "big")).to_bytes(len(body), "big")


def _message_bytes(buffer: bytes) -> int:
    """The size of the client's message that a buffer begins with; 0 while it is not known."""
    if len(buffer) < 4:
        return 0
    size = buffer[1] & 0x7F
    if size < 126:
        return 6 + size
    if size == 126:
        return 8 + int.from_bytes(buffer[2:4], "big")
    return 14 + int.from_bytes(buffer[2:10], "big") if len(buffer) >= 10 else 0


async def serve(air: Air, tokens: Sequence[str], host: str, port: int, seed: int = 1) -> asyncio.Server:
    """Listen on a free loopback port in front of ``host:port``."""
    loop = asyncio.get_running_loop()
    numbers = iter(range(1 << 62))
    cards = frozenset(token.encode() for token in tokens)
    running: set[asyncio.Task[None]] = set()

    def accept() -> Way:
        dice = random.Random(seed * 1_000_003 + next(numbers))
        planted = air.drop_share > 0 or cards
        up = Way(air, dice, Filter(air.drop_share, cards, dice) if planted else None)
        task = loop.create_task(_join(up, air, dice, host, port))
        running.add(task)
        task.add_done_callback(running.discard)
        return up

    return await loop.create_server(accept, "127.0.0.1", 0, backlog=4096)


async def _join(up: Way, air: Air, dice: random.Random, host: str, port: int) -> None:
    try:
        _, down = await asyncio.get_running_loop().create_connection(lambda: Way(air, dice, None), host, port)
    except OSError:
        if up.transport is not None:
            up.transport.abort()
        return
    down.joined(up)
    up.joined(down)


async def _main(host: str, port: int) -> None:
    settings: dict[str, Any] = orjson.loads(sys.stdin.readline())
    server = await serve(read(Air, settings["air"]), settings["tokens"], host, port, settings["seed"])
    print(server.sockets[0].getsockname()[1], flush=True)
    loop = asyncio.get_running_loop()
    ended = asyncio.Event()
    loop.add_reader(sys.stdin, lambda: None if sys.stdin.readline() else ended.set())
    await ended.wait()


if __name__ == "__main__":
    try:
        import uvloop

        with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
            runner.run(_main(sys.argv[1], int(sys.argv[2])))
    except ImportError:
        asyncio.run(_main(sys.argv[1], int(sys.argv[2])))

"""A relay on an in-process bus for the tests, an independent client (websockets), and bare sockets."""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from typing import Any

import orjson
import websockets
from websockets.asyncio.client import ClientConnection

from relay.bus import Bus
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Control, decode_control, decode_packets, is_packets
from relay.server import Relay, RelaySettings
from tests.relay.packets import simple
from tests.relay.phone import EVENING, RING, hello

LIMIT_S = 20.0  # nothing here waits this long unless it is broken


@asynccontextmanager
async def a_relay(bus: Bus | None = None, **changed: Any) -> AsyncIterator[Relay]:
    """A relay that listens; closed at the end."""
    relay = Relay()
    await relay.start(bus or MemoryBus(), RelaySettings(keyring=RING, evening=EVENING, labels=("A1", "A2"), **changed))
    try:
        yield relay
    finally:
        await relay.close()


@asynccontextmanager
async def a_phone(relay: Relay) -> AsyncIterator[ClientConnection]:
    """An open websocket, nothing said yet."""
    async with websockets.connect(f"ws://127.0.0.1:{relay.port}/phone", compression=None) as phone:
        yield phone


async def next_of(phone: ClientConnection, kind: str) -> dict[str, Any]:
    """The next message of this type, leaving out others."""
    async with asyncio.timeout(LIMIT_S):
        while True:
            body: dict[str, Any] = orjson.loads(await phone.recv())
            if body["type"] == kind:
                return body


async def close_code(phone: ClientConnection) -> int | None:
    """Read to the end; the close code that came."""
    with suppress(websockets.ConnectionClosedError):
        async with asyncio.timeout(LIMIT_S):
            async for _ in phone:
                pass
    return phone.close_code


async def until(condition: Callable[[], object]) -> None:
    """Let the relay run until something is so; there is no event for it outside."""
    async with asyncio.timeout(LIMIT_S):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0)


async def acknowledged(phone: ClientConnection, up_to: int) -> None:
    """Wait until every packet below ``up_to`` is acknowledged."""
    while (await next_of(phone, "ack"))["next"] < up_to:
        pass


async def events(bus: Bus) -> list[Control]:
    """Every control entry of the shards, in the order of their stamps."""
    entries = await bus.read(dict.fromkeys(range(bus.shards), FIRST))
    return [decode_control(e.payload) for e in sorted(entries, key=lambda e: e.stamp) if not is_packets(e.payload)]


async def packets_on(bus: Bus) -> list[bytes]:
    """Every packet on the shards, in order within a shard."""
    made: list[bytes] = []
    for entry in await bus.read(dict.fromkeys(range(bus.shards), FIRST)):
        if is_packets(entry.payload):
            batch = decode_packets(entry.payload)
            made += [batch.payload[a : a + n] for a, n in zip(batch.starts, batch.records["size"], strict=True)]
    return made


class Good:
    """A well-behaved phone beside the others: ``goes_on`` sends eight packets and waits for their acknowledgement."""

    def __init__(self, phone: ClientConnection) -> None:
        self.phone, self.number = phone, 0

    @classmethod
    @asynccontextmanager
    async def at(cls, relay: Relay) -> AsyncIterator[Good]:
        async with a_phone(relay) as phone:
            await phone.send(hello(seat=500, stream="500"))
            await next_of(phone, "welcome")
            yield cls(phone)

    async def goes_on(self) -> None:
        for _ in range(8):
            await self.phone.send(simple(self.number))
            self.number += 1
        await acknowledged(self.phone, self.number)


class Bare:
    """A peer below the websocket layer: writes any bytes, reads what comes."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    @asynccontextmanager
    async def at(cls, relay: Relay, *, upgraded: bool = True, receive_bytes: int = 0) -> AsyncIterator[Bare]:
        made = socket.socket()
        if receive_bytes:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        made.setblocking(False)
        await asyncio.get_running_loop().sock_connect(made, ("127.0.0.1", relay.port))
        reader, writer = await asyncio.open_connection(sock=made, limit=4096)
        bare = cls(reader, writer)
        try:
            if upgraded:
                await bare.write(
                    b"GET /phone HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
                    b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
                )
                head = await reader.readuntil(b"\r\n\r\n")
                assert b" 101 " in head
                assert b"s3pPLMBiTxaQ9kYGzzhZRbK+xOo=" in head  # RFC 6455, section 1.3
            yield bare
        finally:
            writer.transport.abort()

    async def write(self, raw: bytes) -> None:
        self.writer.write(raw)
        try:
            await self.writer.drain()
        except ConnectionError:
            return

    async def rest(self) -> bytes:
        """Everything until the other side ends."""
        made = bytearray()
        async with asyncio.timeout(LIMIT_S):
            try:
                while chunk := await self.reader.read(4096):
                    made += chunk
            except ConnectionError:
                pass
        return bytes(made)

    async def close_code(self) -> int | None:
        """The code in the close that comes, answered as RFC 6455 asks (section 5.5.1); None when none came."""
        code: int | None = None
        async with asyncio.timeout(LIMIT_S):
            try:
                while code is None:
                    first, size = await self.reader.readexactly(2)
                    if size == 126:
                        size = int.from_bytes(await self.reader.readexactly(2), "big")
                    body = await self.reader.readexactly(size)
                    if first & 15 == 8:
                        code = int.from_bytes(body[:2], "big")
                        await self.write(framed(body[:2], 0x88))
            except (ConnectionError, asyncio.IncompleteReadError):
                return code
        await self.rest()
        return code


def framed(payload: bytes, first: int = 0x82, *, masked: bool = True, size: int | None = None) -> bytes:
    """One websocket frame as a client sends it (RFC 6455, section 5.2); ``first`` is its first byte."""
    count = len(payload) if size is None else size
    flag = 0x80 if masked else 0
    head = bytes((first,))
    if count < 126:
        head += bytes((flag | count,))
    else:
        head += (
            bytes((flag | 126,)) + struct.pack(">H", count)
            if count < 65536
            else bytes((flag | 127,)) + struct.pack(">Q", count)
        )
    if not masked:
        return head + payload
    mask = os.urandom(4)
    return head + mask + bytes(byte ^ mask[n % 4] for n, byte in enumerate(payload))

"""Broken and hostile peers: each ends in its close code, and a well-behaved phone beside it goes on."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
import uvloop

from relay.server_core import IDLE_CLOSE_MS, IDLE_PING_MS, monotonic_ms
from tests.relay.house import Bare, Good, a_phone, a_relay, close_code, framed, next_of
from tests.relay.packets import simple
from tests.relay.phone import hello

HELLO = framed(hello().encode(), 0x81)
PING = framed(b"", 0x89)

PEERS: dict[str, tuple[bytes, set[int | None]]] = {
    "first of a fragmented message": (framed(b"a", 0x01), {1003}),
    "first of a fragmented packet": (framed(simple(0), 0x02), {1003}),
    "continuation of nothing": (framed(b"a", 0x80), {1003}),
    "reserved bit 1": (framed(b"a", 0xC1), {1002}),
    "reserved bit 2 on a packet": (framed(simple(0), 0xA2), {1002}),
    "reserved bit 3 on a ping": (framed(b"", 0x99), {1002}),
    "unknown data operation": (framed(b"a", 0x83), {1002}),
    "unknown control operation": (framed(b"a", 0x8B), {1002}),
    "fragmented ping": (framed(b"", 0x09), {1002}),
    "ping over 125 bytes": (framed(bytes(126), 0x89), {1002}),
    "unmasked": (framed(b"{}", 0x81, masked=False), {1002}),
    "over 4 KiB": (framed(bytes(4097)), {1009}),
    "says it has a gigabyte": (framed(b"", size=1 << 30), {1009}),
    "length with its top bit": (framed(b"", size=(1 << 63) + 1), {1002}),
    "a short length written long": (b"\x82\xfe\x00\x05" + bytes(9), {1002}),
    "text that is not UTF-8": (framed(b"\xff\xfe", 0x81), {1007}),
    "text with a surrogate": (framed(b"\xed\xa0\x80", 0x81), {1007}),
    "text that is not JSON": (framed(b"{", 0x81), {1007}),
    "packet before the hello": (framed(simple(0)), {1008}),
    "close with a reserved code": (framed(b"\x03\xed", 0x88), {1002}),
    "close with half a code": (framed(b"\x03", 0x88), {1002}),
    "close": (framed(b"\x03\xe8bye", 0x88), {1000}),
    "close without a code": (framed(b"", 0x88), {1000}),
    "flood of empty packets": (HELLO + framed(b"") * 2_000, {1008}),
    "flood of pings": (HELLO + PING * 2_000, {1008}),
    "flood of bytes": (HELLO + framed(bytes(4096)) * 40, {1008}),
}


async def one_hostile_peer(name: str) -> None:
    raw, codes = PEERS[name]
    async with a_relay() as relay, Good.at(relay) as good:
        await good.goes_on()
        async with Bare.at(relay) as bare:
            await bare.write(raw)
            assert await bare.close_code() in codes
        await good.goes_on()
        assert relay.statistics().connections == 1


@pytest.mark.parametrize("name", PEERS)
@pytest.mark.parametrize("run", [asyncio.run, uvloop.run], ids=["asyncio", "uvloop"])
def test_each_hostile_peer_ends_in_its_close_code(name: str, run: Callable[[Awaitable[None]], None]) -> None:
    run(one_hostile_peer(name))


async def test_bytes_one_at_a_time_are_a_message() -> None:
    async with a_relay() as relay, Bare.at(relay) as bare:
        for byte in framed(hello(yes=False).encode(), 0x81):
            await bare.write(bytes((byte,)))
        assert b'"type":"welcome"' in await bare.reader.readuntil(b"}}")


async def test_a_ping_is_answered_with_its_own_bytes() -> None:
    async with a_relay() as relay, Bare.at(relay) as bare:
        await bare.write(framed(b"abc", 0x89))
        assert await bare.reader.readexactly(5) == b"\x8a\x03abc"


@pytest.mark.parametrize("size", [1, 2, 5, 20, 60])
async def test_a_peer_that_leaves_in_the_middle_of_a_message(size: int) -> None:
    async with a_relay() as relay, Good.at(relay) as good:
        async with Bare.at(relay) as bare:
            await bare.write(HELLO + framed(simple(0))[:size])
        await good.goes_on()
        assert relay.statistics().connections == 1


async def test_a_slow_handshake_is_cut_off() -> None:
    async with a_relay(handshake_s=0.05) as relay, Bare.at(relay, upgraded=False) as bare:
        await bare.write(b"GET /phone HTTP/1.1\r\nHost:")
        assert await bare.rest() == b""


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"\0\1\2\r\n\r\n",
        b"POST /phone HTTP/1.1\r\n\r\n",
        b"GET /phone HTTP/1.1\r\nUpgrade: websocket\r\n\r\n",
        b"x" * 40_000,
    ],
    ids=["junk", "post", "half an upgrade", "endless"],
)
async def test_a_broken_handshake_is_no_connection(request_bytes: bytes) -> None:
    async with a_relay(handshake_s=1.0) as relay, Good.at(relay) as good:
        async with Bare.at(relay, upgraded=False) as bare:
            await bare.write(request_bytes)
            assert b" 101 " not in await bare.rest()
        await good.goes_on()
        assert relay.statistics().counters.opened == 1


async def test_a_peer_that_never_reads_is_cut_off() -> None:
    async with (
        a_relay(messages_burst=1e6, bytes_burst=1e9) as relay,
        Good.at(relay) as good,
        Bare.at(relay, receive_bytes=4096) as bare,
    ):
        bare.writer.transport.pause_reading()  # type: ignore[attr-defined]  # a stream's transport reads
        while relay.statistics().connections == 2:
            await bare.write(framed(bytes(125), 0x89) * 100)
            await good.goes_on()
        await good.goes_on()
        assert relay.statistics().counters.closes == {1008: 1}


def shifted(passed_ms: float) -> Callable[[], float]:
    return lambda: monotonic_ms() + passed_ms


async def test_an_idle_peer_is_asked_and_one_that_answers_stays() -> None:
    async with a_relay() as relay, Bare.at(relay) as bare:
        await bare.write(HELLO)
        relay.core.clock_ms = shifted(IDLE_PING_MS + 100)
        got = b""
        async with asyncio.timeout(10):
            while not got.endswith(b"\x89\x00"):
                got += await bare.reader.read(4096)
        assert relay.statistics().connections == 1


async def test_a_silent_peer_is_closed() -> None:
    async with a_relay() as relay, Bare.at(relay) as bare:
        await bare.write(HELLO)
        assert b"welcome" in await bare.reader.readuntil(b"}}")
        relay.core.clock_ms = shifted(IDLE_CLOSE_MS + 100)
        assert await bare.close_code() == 1001


REFUSED: list[tuple[str, Any, int]] = [
    ("protocol", hello(version=2), 4002),
    ("hello", hello(channels=[]), 4003),
    ("seat", hello().replace('"seat":"', '"seat":"X'), 4001),
    ("order", '{"type":"goodbye"}', 1008),
]


@pytest.mark.parametrize(("code", "message", "close"), REFUSED, ids=[row[0] for row in REFUSED])
async def test_refusals_end_in_their_close_code(code: str, message: str, close: int) -> None:
    async with a_relay() as relay, Good.at(relay) as good, a_phone(relay) as phone:
        await phone.send(message)
        assert (await next_of(phone, "error"))["code"] == code
        assert await close_code(phone) == close
        await good.goes_on()

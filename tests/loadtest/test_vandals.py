from __future__ import annotations

import asyncio
import contextlib

import pytest

from loadtest.scenario import Vandals, load
from loadtest.standing import Target
from loadtest.vandals import KINDS, Mob


@pytest.mark.parametrize("kind", KINDS)
async def test_each_kind_misbehaves_and_comes_back_when_thrown_out(kind: str) -> None:
    """A server that answers every handshake and throws everybody out after what it reads in a moment."""
    received: list[int] = []

    async def door(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            first = await reader.read(4096)
            received.append(len(first))
            writer.write(b"HTTP/1.1 101 Switching Protocols\r\n\r\n")
            received.append(len(await reader.read(1 << 20)) if kind not in ("slow", "garbage") else 0)
            writer.transport.abort()

    server = await asyncio.start_server(door, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        mob = Mob(Vandals(**{kind: 1}), ["CARD"], Target("127.0.0.1", port, "/phone"))
        async with asyncio.timeout(20):
            while mob.counts.connects < 2:
                mob.step()
                await asyncio.sleep(0)
        mob.close()
    assert mob.counts.thrown_out >= 1
    assert received[0] > 0


def test_the_mob_is_the_scenarios() -> None:
    vandals = load("vandal").vandals
    assert len(Mob(vandals, [], Target("127.0.0.1", 1, "/")).members) == vandals.total == 20

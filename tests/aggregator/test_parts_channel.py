"""What waits to be sent or taken is bounded; on a real Redis a server that falls silent is left for a new one."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from aggregator import parts_channel
from aggregator.parts_channel import SEND_BOUND, TAKE_BOUND, Queues, RedisParts
from relay.redis_client import Place
from tests.redis_servers import needs_redis, single


def test_the_oldest_of_too_many_are_lost() -> None:
    queues = Queues()
    for i in range(TAKE_BOUND + 3):
        queues.came(b"%d" % i)
    assert queues.take()[0] == b"3"
    assert (queues.counters.take_lost, queues.counters.received) == (3, TAKE_BOUND + 3)
    for i in range(SEND_BOUND + 2):
        queues.send(b"%d" % i)
    assert queues.next_out() == b"2"
    assert queues.counters.send_lost == 2


def test_what_waits_is_bounded_in_bytes_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts_channel, "TAKE_BYTES", 100)
    queues = Queues()
    for size in (60, 30, 50, 200, 10):
        queues.came(bytes(size))
    assert [len(raw) for raw in queues.take()] == [10]
    queues.came(bytes(99))
    assert len(queues.take()) == 1
    assert queues.counters.take_lost == 4


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not true():  # noqa: ASYNC110  (what is waited for is another process's)
            await asyncio.sleep(0.02)


@needs_redis
async def test_a_silent_server_is_noticed_and_heard_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped: its connections stay open and nothing comes, as from a machine that lost its power."""
    monkeypatch.setattr(parts_channel, "SILENT_S", 0.5)
    monkeypatch.setattr(parts_channel, "LISTEN_S", 0.1)
    with single(tmp_path) as server:
        channel = RedisParts(Place("single", (("127.0.0.1", server.port),)), "evening")
        running = asyncio.create_task(channel.run())
        channel.send(b"one")
        await until(lambda: channel.counters.sent == 1)
        await asyncio.sleep(2 * parts_channel.SILENT_S)  # nobody says anything: its answers to pings are enough
        assert channel.counters.failures == 0
        server.pause()
        await until(lambda: channel.counters.failures > 0)
        server.resume()
        channel.take()

        def heard() -> bool:
            channel.send(b"two")
            return b"two" in channel.take()

        await until(heard)
        running.cancel()
        await asyncio.wait([running])
        await channel.close()

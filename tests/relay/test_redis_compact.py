"""What was trimmed is gone from the servers' append-only files once they are written anew, and not before."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from relay.bus import BusUnavailable
from relay.bus_redis import RedisBus
from relay.redis_client import parse_url
from tests.redis_servers import Server, free_ports, needs_redis, sentinel, single, start

pytestmark = [needs_redis, pytest.mark.needs_redis]
BODY = b"planted: what a body said."


def on_disk(server: Server) -> bool:
    found = False
    for path in server.folder.rglob("*"):
        try:
            found |= path.is_file() and BODY in path.read_bytes()
        except FileNotFoundError:  # the old file goes while we look
            continue
    return found


async def compacted(bus: RedisBus) -> None:
    """Ask until it is done, as the aggregator does, servers that are away notwithstanding."""
    async with asyncio.timeout(60):
        while True:
            try:
                if await bus.compact():
                    return
            except BusUnavailable:
                pass
            await asyncio.sleep(0.05)


async def trimmed_body(bus: RedisBus) -> None:
    stamp = (await bus.append(3, [BODY]))[0]
    await bus.trim(3, stamp._replace(n=stamp.n + 1))


def rewrites(server: Server) -> int:
    said = dict(line.split(":") for line in server.cli("INFO", "persistence").splitlines() if ":" in line)
    return int(said["aof_rewrites"])


async def gone(server: Server) -> None:
    async with asyncio.timeout(20):
        while on_disk(server):  # noqa: ASYNC110  (the server deletes its old file in the background)
            await asyncio.sleep(0.01)


async def test_trimming_alone_leaves_it_in_the_file(tmp_path: Path) -> None:
    with single(tmp_path) as own:
        bus = RedisBus(parse_url(f"redis://127.0.0.1:{own.port}"), "e")
        await trimmed_body(bus)
        assert on_disk(own)
        before = rewrites(own)
        assert not await bus.compact()  # asked for, and under way
        await compacted(bus)
        await gone(own)
        assert rewrites(own) == before + 1
        await compacted(bus)  # another erasure: all over again
        assert rewrites(own) == before + 2
        await bus.close()


async def test_a_server_without_such_a_file_has_nothing_to_do(tmp_path: Path) -> None:
    own = start(tmp_path, free_ports(1)[0], "--appendonly", "no")
    try:
        bus = RedisBus(parse_url(f"redis://127.0.0.1:{own.port}"), "e")
        assert await bus.compact()
        await bus.close()
    finally:
        own.end()


async def test_a_replica_that_is_down_is_named_and_not_forgotten(tmp_path: Path) -> None:
    with sentinel(tmp_path) as (watchers, primary, replicas):
        hosts = ",".join(f"127.0.0.1:{w.port}" for w in watchers)
        bus = RedisBus(parse_url(f"redis+sentinel://{hosts}/ripieno"), "e", accepted="replica")
        await trimmed_body(bus)
        replicas[0].kill()
        with pytest.raises(BusUnavailable, match=f"127.0.0.1:{replicas[0].port}: Redis away"):
            await bus.compact()
        replicas[0].start_again()
        await compacted(bus)
        for server in (primary, *replicas):
            await gone(server)
        await bus.close()


async def test_nobody_there() -> None:
    bus = RedisBus(parse_url("redis://127.0.0.1:1"), "e")
    with pytest.raises(BusUnavailable, match="Redis away"):
        await bus.compact()
    await bus.close()

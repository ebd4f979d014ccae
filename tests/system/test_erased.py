"""An erased listener is looked for, byte by byte, in everything that real servers and aggregators keep on disk."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from aggregator import checkpoint, erasure, service
from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.service import Service, ServiceSettings
from relay.bus_redis import RedisBus
from relay.entries import Channel, Consent, Control, Erase, Join, encode_control, encode_packets
from relay.redis_client import parse_url
from relay.seat_plan import generated
from relay.wire import Block, Packet, encode
from tests.faults_bus import FaultyBus, faulty_bus
from tests.redis_servers import needs_redis

pytestmark = [needs_redis, pytest.mark.needs_redis]

LISTENER, STREAM, SHARD = 0xA5C3_1E97_5B0D_F246, 7, 6
BODY = b"planted: what a body said."  # 13 samples' bytes
SAMPLES = np.frombuffer(BODY, np.int16)
CHANNEL = Channel("skin", 40.0, "uS")


def erased(blob: bytes) -> bytes:
    """A file without its tombstones: the erasure itself has to be remembered."""
    return blob.replace(encode_control(Erase(LISTENER)), b"")


def traces_in(folder: Path, *looked_for: bytes) -> list[str]:
    """Files under the folder that hold one of these."""
    found = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        try:
            blob = path.read_bytes()
        except FileNotFoundError:  # just replaced by its successor
            continue
        if any(what in erased(blob) for what in looked_for):
            found.append(str(path.relative_to(folder)))
    return found


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(60):
        while not condition():  # noqa: ASYNC110  (files and servers tell of nothing)
            await asyncio.sleep(0.005)


async def body_data(bus: RedisBus) -> None:
    """A claim, a consent and packets with a hole, behind which they wait with all their bytes."""
    join = Join(LISTENER, STREAM, 1, "audience", (CHANNEL,))
    await bus.append(SHARD, [encode_control(Consent(LISTENER, True, "1")), encode_control(join)])
    raws = [encode(Packet(n, 1_000_000 + n * 325_000, (Block(0, 0, SAMPLES),))) for n in (0, 2, 3)]
    await bus.append(SHARD, [encode_packets([LISTENER] * 3, [STREAM] * 3, [0.0] * 3, raws)])


def service_on(bus: RedisBus, path: Path, now_ms: int) -> Service:
    plan = generated(4)
    engine = Engine(plan, t0_ms=now_ms, tick_hz=20.0)
    settings = ServiceSettings(path, 0.05, trim_without_checkpoint=False)
    return Service(bus, engine, Merger(plan, tick_hz=20.0, epoch=1), (), settings)


LEAVING: dict[str, Control] = {"erased": Erase(LISTENER), "withdrawn": Consent(LISTENER, False, "1")}


@pytest.mark.parametrize(
    ("kind", "how"), [("single", "erased"), ("sentinel", "erased"), ("cluster", "erased"), ("single", "withdrawn")]
)
@pytest.mark.timeout(180)
async def test_nothing_of_who_left_is_found(
    kind: str, how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "FOLLOWERS_MS", 300)
    monkeypatch.setattr(erasure, "SPARE_MS", 100)
    monkeypatch.setattr(erasure, "COMPACT_EVERY_S", 0.05)
    kept, servers = tmp_path / "checkpoints", tmp_path / "servers"
    kept.mkdir()
    with faulty_bus(kind, servers) as places:
        await one_evening(places, kept, servers, LEAVING[how])


async def one_evening(places: FaultyBus, kept: Path, servers: Path, leaving: Control) -> None:
    """Of who withdraws no body data stays; that there was a listener does: a yes may follow."""
    for server in places.servers:
        server.cli("CONFIG", "SET", "rdbcompression", "no")  # else a file could hold it and not show it
    bus = RedisBus(parse_url(places.url), "e", accepted=places.accepted)
    made = service_on(bus, kept / "lead.checkpoint", await bus.now_ms())
    running = asyncio.create_task(made.run())
    try:
        await body_data(bus)
        await until(lambda: "lead.checkpoint" in traces_in(kept, BODY))
        for name in ("dead.checkpoint", "dead.checkpoint.new"):  # of an aggregator that led before
            await until(partial(copied, kept / "lead.checkpoint", kept / name))
        os.utime(kept / "dead.checkpoint.new", (1, 1))
        await until(lambda: len(traces_in(servers, BODY)) == (1 if places.kind == "single" else 2))
        gone = isinstance(leaving, Erase)
        for stream in (SHARD, bus.shards) if gone else (SHARD,):
            await bus.append(stream, [encode_control(leaving)])
        await until(lambda: made.traces.cleared and not made.traces.left)
        wanted = (BODY, b"%d" % LISTENER, LISTENER.to_bytes(8, "little"))[: 3 if gone else 1]
        await until(lambda: not traces_in(servers, *wanted))  # replaced files are deleted in the background
        assert traces_in(kept, *wanted[:2]) == []
        assert checkpoint.beside(kept / "lead.checkpoint") in ([], [kept / "lead.checkpoint.new"])
        image = (kept / "lead.checkpoint").read_bytes()
        assert not gone or image.count(wanted[2]) == 1  # the tombstone that refuses who comes again
        assert made.traces.failures == 0
    finally:
        made.stop()
        await running
        await bus.close()
    assert traces_in(kept, *wanted[:2]) == []  # nor in the last one


def copied(source: Path, target: Path) -> bool:
    """Copy a checkpoint that holds the body's data; False when this one does not."""
    image = source.read_bytes()
    if BODY in image:
        target.write_bytes(image)
    return BODY in image

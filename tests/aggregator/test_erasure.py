"""Nothing of an erased listener stays on a disk (contract 15): older checkpoints, the bus, the bus's files."""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from aggregator import checkpoint, erasure, saved, service
from aggregator.engine import Engine
from aggregator.erasure import BEGUN_S, Traces
from aggregator.leadership import Alone, Leadership, Watching
from aggregator.merger import Merger
from aggregator.service import Service, ServiceSettings
from relay.bus import BusUnavailable
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Consent, Control, Erase, Marker, encode_control
from relay.seat_plan import generated
from tests.aggregator.helper_service import served
from tests.relay.house import until

PLAN = generated(12)
LISTENER = 48  # of shard 0
HZ = 40.0


class SharedBus(MemoryBus):
    """A bus with files: ``compact`` answers as told, and is counted. Its clock can be put forward."""

    def __init__(self) -> None:
        self.ahead_s = 0.0
        super().__init__(clock=lambda: 1_700_000_000.0 + asyncio.get_running_loop().time() + self.ahead_s)
        self.answers: list[bool | BusUnavailable] = []
        self.asked = 0

    async def compact(self) -> bool:
        self.asked += 1
        answer = self.answers.pop(0) if self.answers else True
        if isinstance(answer, BusUnavailable):
            raise answer
        return answer


@pytest.fixture(autouse=True)
def checkpoints_by_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are counted here, and half a minute's ticks at once are much work on a busy machine."""
    monkeypatch.setattr(service, "AGAIN_MS", math.inf)


@contextlib.asynccontextmanager
async def running(bus: MemoryBus, path: Path | None, leadership: Leadership | None = None) -> AsyncIterator[Service]:
    made = Service(
        bus, Engine(PLAN, t0_ms=await bus.now_ms(), tick_hz=HZ), Merger(PLAN, tick_hz=HZ, epoch=1), (),
        ServiceSettings(path, 600.0, trim_without_checkpoint=False), leadership=leadership or Alone(),
    )  # fmt: skip
    async with served(made):
        yield made


def checkpoint_of(k: int, *, t0_ms: int = 1_000) -> bytes:
    engine = Engine(PLAN, t0_ms=t0_ms, tick_hz=HZ)
    engine.tick(k)
    return saved.pack(engine, Merger(PLAN, tick_hz=HZ, epoch=1))


def traces(k: int) -> Traces:
    """As after an erasure that tick k used."""
    engine = Engine(PLAN, t0_ms=1_000, tick_hz=HZ)
    made = Traces(engine, MemoryBus(), 30_000)
    engine.tick(k)
    engine.listeners.erase(LISTENER)
    engine.own_counters["erasures"] += 1
    made.notice()
    return made


def test_older_checkpoints_of_the_evening_go(tmp_path: Path) -> None:
    own, made = tmp_path / "own.checkpoint", traces(8)
    files = {
        "own.checkpoint": (checkpoint_of(9), True),
        "dead.checkpoint": (checkpoint_of(7), False),  # whoever led before
        "spare.checkpoint": (checkpoint_of(8), True),  # of the tick that used the erasure: it is clean
        "yesterday.checkpoint": (checkpoint_of(7, t0_ms=5), True),  # another evening's: other listeners
        "cut.checkpoint": (checkpoint_of(9)[:-9], False),  # nobody can go on from it
        "dead.checkpoint.new": (b"begun", False),
        "spare.checkpoint.new": (b"being written", True),
        "notes.txt": (b"somebody's", True),
    }
    for name, (image, _) in files.items():
        (tmp_path / name).write_bytes(image)
    written_s = own.stat().st_mtime
    os.utime(tmp_path / "dead.checkpoint.new", (written_s - BEGUN_S - 1, written_s - BEGUN_S - 1))
    os.utime(tmp_path / "spare.checkpoint.new", (written_s - BEGUN_S + 1, written_s - BEGUN_S + 1))
    made.sweep(own)
    assert {p.name for p in tmp_path.iterdir()} == {name for name, (_, stays) in files.items() if stays}
    assert (made.files_removed, made.failures) == (3, 0)
    (tmp_path / "spare.checkpoint").write_bytes(checkpoint_of(5))  # a process that slept puts an old one there
    os.utime(tmp_path / "spare.checkpoint", (written_s + 5, written_s + 5))
    made.sweep(own)
    assert not (tmp_path / "spare.checkpoint").exists()


def test_a_restart_after_a_withdrawal_clears_again() -> None:
    """It cannot know what was done before it; its checkpoint tells of the withdrawal."""
    engine = Engine(PLAN, t0_ms=1_000, tick_hz=HZ)
    engine.own_counters["withdrawals"] = 1
    again = Engine.restore(engine.checkpoint(), PLAN, engine.settings, epoch=2)
    assert Traces(again, MemoryBus(), 30_000).left


def test_without_an_erasure_nothing_is_deleted(tmp_path: Path) -> None:
    made = Traces(Engine(PLAN, t0_ms=1_000, tick_hz=HZ), MemoryBus(), 30_000)
    (tmp_path / "cut.checkpoint").write_bytes(b"x")
    made.sweep(tmp_path / "own.checkpoint")
    assert (tmp_path / "cut.checkpoint").exists()


def test_a_file_that_cannot_be_removed_is_counted_and_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refused(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(checkpoint, "remove", refused)
    (tmp_path / "dead.checkpoint").write_bytes(checkpoint_of(7))
    made = traces(8)
    made.sweep(tmp_path / "own.checkpoint")
    assert made.failures == 1
    assert "dead.checkpoint may hold an erased listener" in caplog.text


@pytest.mark.parametrize("leaving", [Erase(LISTENER), Consent(LISTENER, False, "1")])
async def test_when_the_followers_time_is_over_the_bus_is_cleared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, leaving: Control
) -> None:
    """A second checkpoint, everything before it off the streams, and the files anew, asked until it is done."""
    monkeypatch.setattr(erasure, "COMPACT_EVERY_S", 0.001)
    bus, path = SharedBus(), tmp_path / "a.checkpoint"
    bus.answers = [False, BusUnavailable("a server is down"), False]
    async with running(bus, path) as made:
        await bus.append(0, [encode_control(Marker("before"))])
        await bus.append(0, [encode_control(leaving)])
        await until(lambda: made.counters.checkpoints == 1)
        assert len(await bus.read({0: FIRST})) == 2  # followers may be 30 s behind
        assert bus.asked == 0
        bus.ahead_s += 32.0
        await until(lambda: made.traces.cleared)
        assert await bus.read({0: FIRST}) == []
        assert (made.counters.checkpoints, bus.asked, made.traces.left) == (2, 4, False)


async def test_a_spare_clears_nothing_until_it_leads(tmp_path: Path) -> None:
    class Lease(Watching):
        mine = False

        def leads(self) -> bool:
            return self.mine

    bus, lease = SharedBus(), Lease()
    async with running(bus, tmp_path / "a.checkpoint", lease) as made:
        await bus.append(0, [encode_control(Erase(LISTENER))])
        await until(lambda: made.counters.checkpoints == 1)
        bus.ahead_s += 32.0
        done = made.counters.ticks
        await until(lambda: made.counters.ticks > done + 1300)  # 32 s of ticks, which it computes at once
        assert (bus.asked, len(await bus.read({0: FIRST}))) == (0, 1)
        lease.mine = True
        await until(lambda: made.traces.cleared)


async def test_what_cannot_be_written_anew_is_counted_said_and_tried_again(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(erasure, "COMPACT_EVERY_S", 0.0)
    now, bus = [0.0], SharedBus()
    engine = Engine(PLAN, t0_ms=1_000, tick_hz=HZ)
    engine.listeners.erase(LISTENER)
    made = Traces(engine, bus, 30_000, lambda: now[0])
    bus.answers = [BusUnavailable("10.0.0.7:6379: Redis away") for _ in range(erasure.COMPACT_TRIES)]
    later = engine.cut + 31_000
    assert made.due(later)
    await made.compact(later - 31_000, lambda: True)
    assert (made.failures, made.cleared, bus.asked) == (1, 0, erasure.COMPACT_TRIES)
    assert "10.0.0.7:6379" in caplog.text
    assert not made.due(later)
    now[0] += erasure.AGAIN_AFTER_S
    assert made.due(later)
    await made.compact(later - 31_000, lambda: True)
    assert made.cleared == 1
    assert not made.left


def test_who_leaves_first_does_not_wait_for_the_last_to_leave() -> None:
    """Erasures every few seconds, as at the end of an evening: each is done with 31 to 62 s after it."""
    made = traces(8)
    begun_ms = made.engine.cut
    for k in range(1, 10):  # one every 25 s at 40 Hz
        made.engine.tick(8 + 1000 * k)
        made.engine.own_counters["erasures"] += 1
        made.notice()
    assert made.due(begun_ms + 31_000)


async def test_an_erasure_during_the_rewriting_needs_another_one() -> None:
    made = traces(8)
    covered_ms = made.engine.cut
    made.engine.tick(400)
    made.engine.own_counters["erasures"] += 1
    made.notice()
    await made.compact(covered_ms, lambda: True)
    assert made.left
    assert not made.due(covered_ms + 31_000)
    assert made.due(made.engine.cut + 31_000)
    await made.compact(made.engine.cut, lambda: True)
    assert not made.left


async def test_who_leads_no_longer_leaves_it_to_the_lead(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(erasure, "COMPACT_EVERY_S", 0.0)
    bus, made = SharedBus(), traces(8)
    made.bus, bus.answers = bus, [False] * 5
    await made.compact(made.engine.cut, lambda: False)
    assert (bus.asked, made.failures, made.left) == (1, 0, True)


async def test_a_spare_that_is_behind_leaves_no_file(tmp_path: Path) -> None:
    """It may not have read of an erasure yet."""
    bus, path = SharedBus(), tmp_path / "a.checkpoint"
    async with running(bus, path, Watching()) as made:
        await until(lambda: made.counters.ticks)
        bus.ahead_s += 60.0
        made.stop()
    assert not path.exists()
    async with running(bus, path, Watching()) as made:
        await until(lambda: made.counters.ticks)
    assert path.exists()

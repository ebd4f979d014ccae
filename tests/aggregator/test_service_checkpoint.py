"""When the service writes checkpoints, and what a disk that takes none costs."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from aggregator import checkpoint, saved
from aggregator import service as aggregator_service
from aggregator.engine import Engine
from aggregator.leadership import Alone, Leadership, Watching
from aggregator.merger import Merger
from aggregator.service import Service, ServiceSettings
from relay.bus_memory import MemoryBus
from relay.entries import Erase, Marker, encode_control
from relay.seat_plan import generated
from tests.aggregator.helper_service import served
from tests.relay.house import until

LISTENER = 48  # of shard 0
NEVER_S = 600.0


@contextlib.asynccontextmanager
async def running(
    bus: MemoryBus, path: Path, every_s: float, leadership: Leadership | None = None, *, lasts: bool = False
) -> AsyncIterator[Service]:
    plan = generated(12)
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=40.0)
    service = Service(
        bus, engine, Merger(plan, tick_hz=40.0, epoch=1), (),
        ServiceSettings(path, every_s, trim_without_checkpoint=not lasts), leadership=leadership or Alone(),
    )  # fmt: skip
    async with served(service):
        yield service


def tombstones(path: Path, plan_seats: int = 12) -> set[int]:
    kept = saved.unpack(checkpoint.read(path))
    return Engine.restore(kept.image, generated(plan_seats), epoch=2).listeners.tombstones


async def test_a_disk_that_takes_no_checkpoint_does_not_fill_the_bus_of_this_process(tmp_path: Path) -> None:
    bus = MemoryBus(bound_entries=40)
    async with running(bus, tmp_path / "not there" / "x.checkpoint", 0.01) as service:
        for _ in range(4 * 40):  # each is refused once 40 are held
            before = service.counters.entries
            await bus.append(3, [encode_control(Marker("x"))])
            await until(lambda: service.counters.entries > before)  # noqa: B023  (awaited here)
        assert service.counters.checkpoint_failures > 0


async def test_an_erasure_is_in_a_checkpoint_at_once(tmp_path: Path) -> None:
    """The listener has been told so: a crash in the seconds before the next checkpoint must not bring them back."""
    bus, path = MemoryBus(), tmp_path / "x.checkpoint"
    async with running(bus, path, NEVER_S) as service:
        await bus.append(0, [encode_control(Erase(LISTENER))])
        await until(lambda: service.counters.checkpoints > 0)
        assert tombstones(path) == {LISTENER}
        await bus.append(0, [encode_control(Erase(LISTENER + 16))])
        await until(lambda: service.counters.checkpoints > 1)
        assert tombstones(path) == {LISTENER, LISTENER + 16}


async def test_a_spare_does_not_keep_who_was_erased(tmp_path: Path) -> None:
    """It may have led before: its file, too, is written anew, and it trims nothing."""
    bus, path = MemoryBus(), tmp_path / "x.checkpoint"
    async with running(bus, path, 0.01, Watching()) as service:
        await bus.append(0, [encode_control(Marker("x"))])
        await bus.append(0, [encode_control(Erase(LISTENER))])
        await until(lambda: service.counters.checkpoints > 0)
        assert tombstones(path) == {LISTENER}
        assert service.counters.checkpoints == 1  # by time a spare writes none
        assert bus.statistics().trimmed == 0


async def test_much_work_brings_a_checkpoint_before_its_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a cold start would have to compute again is bounded by work, not by time alone."""
    monkeypatch.setattr(aggregator_service, "AGAIN_MS", 0.0)
    bus, path = MemoryBus(), tmp_path / "x.checkpoint"
    async with running(bus, path, NEVER_S, lasts=True) as service:
        await until(lambda: service.counters.ticks > 1)
        assert service.counters.checkpoints == 0  # not every moment
        monkeypatch.setattr(aggregator_service, "LEAST_S", 0.0)
        await until(lambda: service.counters.checkpoints > 1)


async def test_where_the_bus_ends_with_the_process_nothing_is_computed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So work brings no checkpoints: they would come most often where there is least time for them."""
    monkeypatch.setattr(aggregator_service, "AGAIN_MS", 0.0)
    monkeypatch.setattr(aggregator_service, "LEAST_S", 0.0)
    async with running(MemoryBus(), tmp_path / "x.checkpoint", NEVER_S) as service:
        await until(lambda: service.counters.ticks > 20)
        assert service.counters.checkpoints == 0

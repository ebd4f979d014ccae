"""A fault beside the ticks ends the service in the open (it must not go on without renewing its lease); one of an
output or a listener is counted."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Sequence

import pytest

from aggregator.engine import Engine
from aggregator.leadership import Alone, Watching
from aggregator.merger import Merger
from aggregator.service import Service
from aggregator.snapshot import Snapshot
from relay.bus_memory import MemoryBus
from relay.entries import Entry, Part, encode_control
from relay.seat_plan import generated


class StrangeFault(Exception):
    """What nobody has thought of."""


async def test_a_fault_of_the_lease_ends_the_service() -> None:
    plan = generated(12)
    bus = MemoryBus()
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=20.0)
    service = Service(bus, engine, Merger(plan, tick_hz=20.0, epoch=1), ())

    async def broken() -> None:
        raise StrangeFault

    service.leadership.run = broken  # type: ignore[method-assign]
    async with asyncio.timeout(10):
        with pytest.raises(StrangeFault):
            await service.run()
    assert asyncio.all_tasks() == {asyncio.current_task()}  # nothing beats on behind it


class Broken:
    """An output and listeners that have a fault of their own, and say how often they were called."""

    def __init__(self) -> None:
        self.called: Counter[str] = Counter()

    def _fault(self, name: str) -> None:
        self.called[name] += 1
        raise StrangeFault(name)

    def send(self, _snapshot: Snapshot, _now_s: float) -> None:
        self._fault("send")

    def beat(self, _now_s: float, _role: str) -> None:
        self._fault("beat")

    def listen(self, _what: object) -> None:
        self._fault("listen")

    def read(self, _entries: Sequence[Entry]) -> None:
        self._fault("read")


@pytest.mark.parametrize("leads", [True, False], ids=["lead", "spare"])
async def test_what_raises_is_counted_and_the_ticks_go_on(leads: bool, caplog: pytest.LogCaptureFixture) -> None:
    plan, bus, broken = generated(12), MemoryBus(), Broken()
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=40.0)
    leadership = Alone(1) if leads else Watching()
    service = Service(bus, engine, Merger(plan, tick_hz=40.0, epoch=1), (broken,), leadership=leadership)
    service.watchers = (broken,)
    service.on_snapshot.append(broken.listen)
    service.on_part_snapshot.append(broken.listen)
    service.on_entries.append(broken.read)
    running = asyncio.create_task(service.run())
    await bus.append(0, [encode_control(Part("piece"))])
    async with asyncio.timeout(10):
        while service.counters.ticks < 8 and not running.done():
            await bus.now_ms()
            await asyncio.sleep(0)
    service.stop()
    await running
    assert service.counters.ticks >= 8
    assert set(broken.called) == {"send", "beat", "listen", "read"}
    assert service.counters.sink_failures == sum(broken.called.values())
    assert len([r for r in caplog.records if r.exc_info is not None]) == 1

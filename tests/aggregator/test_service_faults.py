"""A fault beside the ticks ends the service in the open; it must not go on without renewing its lease."""

from __future__ import annotations

import asyncio

import pytest

from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.service import Service
from relay.bus_memory import MemoryBus
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

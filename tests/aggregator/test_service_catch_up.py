"""After a pause the service computes what it missed on one look at the clock and one reading; nothing is left out."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.service import TICKS_A_TURN, Service
from aggregator.snapshot import PartSnapshot
from relay.bus import BusUnavailable
from relay.bus_memory import MemoryBus
from relay.entries import Entry, Stamp
from relay.seat_plan import generated

HZ = 20.0


class CountingBus(MemoryBus):
    """Counts what it is asked; its clock is set by the test."""

    def __init__(self) -> None:
        self.now_s = 1_700_000_000.0
        super().__init__(clock=lambda: self.now_s)
        self.looks = self.readings = 0

    async def now_ms(self) -> int:
        self.looks += 1
        return await super().now_ms()

    async def read(self, after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
        self.readings += 1
        return await super().read(after, limit=limit, wait_s=wait_s)


async def served(bus: CountingBus, seconds: float, step_s: float) -> list[int]:
    """Ticks computed while the bus's clock goes on by ``seconds``, in steps."""
    plan = generated(12)
    ticks: list[int] = []
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=HZ)
    service = Service(bus, engine, Merger(plan, tick_hz=HZ, epoch=1), ())
    service.on_part_snapshot.append(lambda part: ticks.append(part.k))
    bus.looks = bus.readings = 0
    end_s = bus.now_s + seconds
    running = asyncio.create_task(service.run())
    async with asyncio.timeout(20):
        while bus.now_s < end_s or len(ticks) <= seconds * HZ:
            bus.now_s = min(end_s, bus.now_s + step_s)
            await asyncio.sleep(0.001)
        service.stop()
        await running
    return ticks


async def test_missed_ticks_are_computed_on_few_readings() -> None:
    bus = CountingBus()
    ticks = await served(bus, 10.0, step_s=10.0)
    assert ticks[:201] == list(range(201))  # each once, in order
    assert bus.readings <= 200 / TICKS_A_TURN + 4  # and one at the end for what the bus has accepted
    assert bus.looks <= 200 / TICKS_A_TURN + 20  # it may look again while it waits for the test to stop it


async def test_between_uses_of_entries_nothing_is_read() -> None:
    """At 20 ticks a second entries are used at ten; for each of these it is read shortly before the cut and after."""
    bus = CountingBus()
    ticks = await served(bus, 3.0, step_s=0.05)
    assert ticks[:61] == list(range(61))
    assert bus.readings <= 2 * 31 + 4


async def test_what_is_there_before_a_cut_is_read_before_it() -> None:
    """So that only the last few entries remain to be read when the bus's clock has reached the cut."""
    bus, plan, told = CountingBus(), generated(12), asyncio.Event()
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=HZ)
    service = Service(bus, engine, Merger(plan, tick_hz=HZ, epoch=1), ())
    appends: list[asyncio.Task[list[Stamp]]] = []

    def ticked(part: PartSnapshot) -> None:
        if part.k == 1:
            appends.append(asyncio.create_task(bus.append(3, [b"\x00"])))

    service.on_part_snapshot.append(ticked)
    service.on_entries.append(lambda entries: told.set() if any(entry.stream == 3 for entry in entries) else None)
    running = asyncio.create_task(service.run())
    async with asyncio.timeout(20):
        while not appends:
            bus.now_s += 0.001
            await asyncio.sleep(0.001)
        await told.wait()  # the clock stands still: the next cut is never reached
        service.stop()
        await running
    assert (await appends[0])[0].ms < engine.cut_ms(2)


class SlowBus(CountingBus):
    """Says no more than 100 entries of a stream within its time limit."""

    async def read(self, after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
        if limit > 100:
            raise BusUnavailable("Timeout reading")
        return await super().read(after, limit=limit, wait_s=wait_s)


async def test_more_than_the_bus_can_say_at_once_is_asked_for_in_parts() -> None:
    bus = SlowBus()
    await bus.append(3, [b"\x00"] * 900)  # before the first tick: all of it is read again and again until it is had
    ticks = await served(bus, 2.0, step_s=2.0)
    assert ticks[:41] == list(range(41))

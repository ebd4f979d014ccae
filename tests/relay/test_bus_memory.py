"""The in-process bus: the shared contract, its bounds, and its clock."""

from __future__ import annotations

import asyncio

import pytest

from relay.bus import Bus, BusUnavailable
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Stamp
from tests.relay.bus_contract import BusContract


class TestMemoryBus(BusContract):
    @pytest.fixture
    def bus(self) -> Bus:
        return MemoryBus()


async def test_at_the_bound_nothing_of_an_append_is_written() -> None:
    bus = MemoryBus(shards=2, bound_entries=3)
    first = await bus.append(0, [b"a", b"b"])
    with pytest.raises(BusUnavailable, match="trim"):
        await bus.append(0, [b"c", b"d"])
    await bus.append(1, [b"other streams go on"])
    assert [entry.payload for entry in await bus.read({0: FIRST})] == [b"a", b"b"]
    assert bus.statistics().refused == 2
    await bus.trim(0, first[1])
    await bus.append(0, [b"c", b"d"])
    assert [entry.payload for entry in await bus.read({0: FIRST})] == [b"b", b"c", b"d"]


async def test_the_bound_in_bytes_is_shared_out() -> None:
    bus = MemoryBus(shards=3, bound_bytes=4 * 10_000)
    await bus.append(0, [bytes(9_000)])
    with pytest.raises(BusUnavailable):
        await bus.append(0, [bytes(1_000)])
    await bus.append(1, [bytes(9_000)])
    statistics = bus.statistics()
    assert 18_000 < statistics.bytes <= statistics.bound_bytes
    await bus.trim(0, Stamp(2**62, 0))
    await bus.trim(1, Stamp(2**62, 0))
    assert bus.statistics().bytes == bus.statistics().entries == 0


async def test_stamps_stay_monotone_when_the_clock_steps_back() -> None:
    now_s = [100.0]
    bus = MemoryBus(clock=lambda: now_s[0])
    assert await bus.now_ms() == 100_000
    assert await bus.append(0, [b"a"]) == [Stamp(100_000, 0)]
    now_s[0] = 50.0
    assert await bus.append(0, [b"b"]) == [Stamp(100_000, 1)]
    assert await bus.now_ms() == 100_000
    now_s[0] = 100.002
    assert await bus.append(1, [b"c"]) == [Stamp(100_002, 0)]


async def test_an_append_elsewhere_does_not_wake_a_reader() -> None:
    bus = MemoryBus()
    reading = asyncio.create_task(bus.read({0: FIRST}, wait_s=10.0))
    await asyncio.sleep(0)
    await bus.append(1, [b"x"])
    await asyncio.sleep(0)
    assert not reading.done()
    await bus.append(0, [b"y"])
    assert [entry.payload for entry in await reading] == [b"y"]


async def test_closing_wakes_a_reader_with_the_error() -> None:
    bus = MemoryBus()
    reading = asyncio.create_task(bus.read({0: FIRST}, wait_s=10.0))
    await asyncio.sleep(0)
    await bus.close()
    with pytest.raises(BusUnavailable):
        await reading
    with pytest.raises(BusUnavailable):
        await bus.append(0, [b"x"])


async def test_two_buses_have_two_ids() -> None:
    assert await MemoryBus().replication_id() != await MemoryBus().replication_id()

"""A part is moved on every stream, or what is missing follows; a newer part takes its place."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

import aiohttp
import pytest

from aggregator import part_change
from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.monitor.server import Monitor
from aggregator.part_change import PartUnfinished
from aggregator.service import Service
from relay.bus import BusUnavailable
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Part, Stamp, decode_control, encode_control
from relay.seat_plan import generated
from tests.aggregator.helper_service import served
from tests.relay.house import until

PLAN = generated(12)
HZ = 40.0


class Lost(MemoryBus):
    """A bus that is lost at the n-th append, and stays away until it is let back. ``accepts``: the append at which it
    is lost is accepted all the same; only its answer does not come."""

    def __init__(self, at: int | None = None, *, accepts: bool = False) -> None:
        super().__init__()
        self.later, self.accepts, self.appends, self.away = at, accepts, 0, False
        self.at: int | None = None  # counted from the moment at which the service runs

    async def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        self._answer()
        n, self.appends = self.appends, self.appends + 1
        if n == self.at:
            self.away = True
            if self.accepts:
                await super().append(stream, payloads)
            self._answer()
        return await super().append(stream, payloads)

    async def now_ms(self) -> int:
        self._answer()
        return await super().now_ms()

    def _answer(self) -> None:
        if self.away:
            raise BusUnavailable("the switch is down")

    async def parts(self) -> list[str]:
        """The part that each stream holds last."""
        held = ["set-up"] * (self.shards + 1)
        for entry in await self.read(dict.fromkeys(range(self.shards + 1), FIRST), limit=100_000):
            event = decode_control(entry.payload)
            if isinstance(event, Part):
                held[entry.stream] = event.name
        return held


@asynccontextmanager
async def running(bus: Lost) -> AsyncIterator[Service]:
    engine = Engine(PLAN, t0_ms=await bus.now_ms(), tick_hz=HZ)
    service = Service(bus, engine, Merger(PLAN, tick_hz=HZ, epoch=1), ())
    async with served(service):
        await until(lambda: service.counters.ticks >= 2)  # the lead has written its origin
        bus.appends, bus.at = 0, bus.later
        try:
            yield service
        finally:
            bus.away = False


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(part_change, "RETRY_S", 0.01)


async def settled(service: Service) -> None:
    task = service.parts._going_on
    if task is not None:
        await asyncio.wait([task])


@pytest.mark.parametrize("accepts", [False, True], ids=["not accepted", "accepted unheard"])
@pytest.mark.parametrize("at", [0, 1, 9, 16])
async def test_a_bus_lost_in_between_leaves_no_stream_behind(at: int, accepts: bool) -> None:
    bus = Lost(at, accepts=accepts)
    async with running(bus) as service:
        with pytest.raises(PartUnfinished, match=rf"Part rest: the bus was lost after {at} of 17 streams"):
            await service.set_part("rest")
        assert (await bus.parts()).count("rest") == at + accepts
        assert "the rest follows" in service.parts.notice
        bus.away = False
        await settled(service)
        assert await bus.parts() == ["rest"] * 17
        assert service.parts.notice == ""


async def test_another_part_takes_the_place_of_what_is_missing() -> None:
    bus = Lost(5)
    async with running(bus) as service:
        with pytest.raises(PartUnfinished):
            await service.set_part("rest")
        bus.away = False
        await service.set_part("piece")
        await settled(service)
        assert await bus.parts() == ["piece"] * 17
        assert service.parts.notice == ""


async def test_a_part_from_another_aggregators_page_is_not_overwritten() -> None:
    bus = Lost(5)
    async with running(bus) as service:
        with pytest.raises(PartUnfinished):
            await service.set_part("rest")
        bus.at, bus.away = None, False
        for stream in range(bus.shards + 1):
            await bus.append(stream, [encode_control(Part("piece"))])
        await settled(service)
        assert await bus.parts() == ["piece"] * 17
        assert service.parts.notice == ""


async def test_two_at_once_end_in_one_part() -> None:
    """The later press wins on every stream, whatever the earlier one had under way."""
    bus = Lost()
    async with running(bus) as service:
        await asyncio.gather(service.set_part("rest"), service.set_part("piece"))
        assert await bus.parts() == ["piece"] * 17


async def test_after_a_minute_the_page_says_what_must_be_done(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(part_change, "GO_ON_S", 0.05)
    bus = Lost(5)
    async with running(bus) as service:
        with pytest.raises(PartUnfinished):
            await service.set_part("rest")
        await settled(service)
        assert "after 5 of 17 streams" in service.parts.notice
        assert "press the part again" in service.parts.notice
        bus.away = False
        await service.set_part("rest")
        assert await bus.parts() == ["rest"] * 17
        assert service.parts.notice == ""


async def test_stopping_ends_what_is_under_way() -> None:
    bus = Lost(5)
    async with running(bus) as service:
        with pytest.raises(PartUnfinished):
            await service.set_part("rest")
        service.stop()
    assert asyncio.all_tasks() == {asyncio.current_task()}


async def test_the_page_says_how_far_it_came() -> None:
    async def unfinished(name: str) -> None:
        raise PartUnfinished(f"Part {name}: the bus was lost after 5 of 17 streams")

    monitor = Monitor(PLAN, operator_token="a-good-operator-key", on_part=unfinished)
    port = await monitor.start("127.0.0.1", 0)
    try:
        head = {"Authorization": "Bearer a-good-operator-key"}
        async with aiohttp.ClientSession() as session:
            url = f"http://127.0.0.1:{port}/api/part"
            async with session.post(url, json={"part": "rest"}, headers=head) as answer:
                assert answer.status == 202
                assert "after 5 of 17 streams" in (await answer.json())["said"]
    finally:
        await monitor.close()

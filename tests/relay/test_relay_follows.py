"""A relay follows the house's stream, also when a failover puts an entry below what it has read."""

from __future__ import annotations

import asyncio

import pytest

from relay import server_core
from relay.entries import FIRST, Erase, Marker, Part, encode_control
from relay.server import Relay
from tests.relay.failing_bus import FailingBus
from tests.relay.house import a_phone, a_relay, next_of, until
from tests.relay.phone import hello


async def say(bus: FailingBus, *events: Part | Marker | Erase) -> None:
    await bus.append(bus.shards, [encode_control(event) for event in events])
    await asyncio.sleep(0.002)  # so that the stamps differ


async def has_read(relay: Relay, bus: FailingBus, part: str) -> None:
    """A part said now is known: so is everything before it."""
    await say(bus, Part(part))
    await until(lambda: relay.core.house.part == part)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_core, "SWEEP_S", 0.001)
    monkeypatch.setattr(server_core, "FOLLOW_EVERY_S", 0.001)


@pytest.mark.usefixtures("quick")
async def test_a_part_and_an_erasure_below_the_position_are_heard() -> None:
    """The new primary lacks the last part and stamps the next ones below it; what stays is not told twice."""
    bus = FailingBus()
    async with a_relay(bus) as relay, a_phone(relay) as phone:
        await phone.send(hello())
        await next_of(phone, "consent")
        await has_read(relay, bus, "doors")
        (kept,) = (e.stamp for e in await bus.read({bus.shards: FIRST}))
        await has_read(relay, bus, "rest")
        bus.fail_over(kept, behind_s=0.5)
        await say(bus, Part("piece"), Erase(19))
        newest = (await bus.read({bus.shards: kept}))[-1].stamp
        assert newest.ms < kept.ms + 400  # below the lost part's stamp and a failed reader's position
        await until(lambda: relay.core.house.part == "piece" and 19 in relay.core.house.erased)
        told = [(await next_of(phone, "part"))["part"] for _ in range(3)]
        assert told == ["doors", "rest", "piece"]

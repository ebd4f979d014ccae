"""A relay whose flush has ended takes phones in and writes nothing: it must end in the open."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from aggregator.command import relay_role
from aggregator.command.house import Surroundings, open_house, wait_for_end
from aggregator.command.settings import CheckpointSection, MonitorSection, RelaySection, Settings
from relay.bus_memory import MemoryBus
from relay.redis_client import Place
from relay.seat_plan import generated
from relay.server import Relay, RelaySettings
from relay.server_core import RelayCore
from tests.relay.house import LIMIT_S
from tests.relay.phone import EVENING, RING


class StrangeFault(Exception):
    """What nobody has thought of."""


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    async def sweep(_: RelayCore) -> None:
        raise StrangeFault

    monkeypatch.setattr(RelayCore, "_sweep_loop", sweep)


@pytest.mark.usefixtures("broken")
async def test_the_relay_role_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relay_role, "RedisBus", lambda *_args, **_options: MemoryBus())
    async with asyncio.timeout(LIMIT_S):
        with pytest.raises(ExceptionGroup) as ended:
            await relay_role._relay(
                Settings(), Place("single", (("h", 1),)), RelaySettings(keyring=RING, evening=EVENING)
            )
    assert ended.group_contains(StrangeFault)


async def test_a_relay_that_gathers_ends_when_its_flush_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    def flush(_: RelayCore) -> None:
        raise StrangeFault

    monkeypatch.setattr(RelayCore, "flush", flush)
    relay = Relay()
    await relay.start(MemoryBus(), RelaySettings(keyring=RING, evening=EVENING, gather_ms=1.0))
    async with asyncio.timeout(LIMIT_S):
        with pytest.raises(ExceptionGroup) as ended:
            await relay.ended()
    assert ended.group_contains(StrangeFault)
    monkeypatch.undo()
    await relay.close()


@pytest.mark.usefixtures("broken")
async def test_a_house_in_one_process_ends() -> None:
    settings = replace(
        Settings(), relay=RelaySection(port=0), monitor=MonitorSection(port=0), checkpoint=CheckpointSection(path="")
    )
    house = await open_house(settings, Surroundings(generated(12), RING, "an operator's key"))
    try:
        async with asyncio.timeout(LIMIT_S):
            with pytest.raises(ExceptionGroup) as ended:
                await wait_for_end(house)
        assert ended.group_contains(StrangeFault)
    finally:
        await house.close()

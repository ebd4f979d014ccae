"""A house in one process that goes on from a checkpoint: the clock of its machine, and who was erased."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from pathlib import Path

import pytest

from aggregator import checkpoint, saved
from aggregator.command.errors import UserError
from aggregator.command.house import Surroundings, open_house
from aggregator.command.serve import _saved
from aggregator.command.settings import CheckpointSection, MonitorSection, RelaySection, Settings
from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.saved import Saved
from relay.seat_card import issue, pseudonym
from relay.seat_plan import generated
from tests.relay.house import LIMIT_S, a_phone, close_code
from tests.relay.phone import EVENING, RING, hello

PLAN = generated(12)
HZ = 20.0


def settings() -> Settings:
    plain = Settings()
    return replace(
        plain, evening=replace(plain.evening, id=EVENING), relay=RelaySection(port=0), monitor=MonitorSection(port=0),
        checkpoint=CheckpointSection(path=""),
    )  # fmt: skip


def kept(*, ahead_s: float, erased: tuple[int, ...] = ()) -> Saved:
    """A checkpoint whose last tick lies ``ahead_s`` after this machine's time."""
    engine = Engine(PLAN, t0_ms=int(time.time() * 1000), tick_hz=HZ, epoch=5)
    for listener in erased:
        engine.listeners.erase(listener)
    engine.tick(int(ahead_s * HZ))
    return saved.unpack(saved.pack(engine, Merger(PLAN, tick_hz=HZ, epoch=5)))


@pytest.mark.timeout(60)
async def test_a_clock_that_came_back_earlier_does_not_stop_the_house() -> None:
    before = kept(ahead_s=600.0)
    house = await open_house(settings(), Surroundings(PLAN, RING, "an operator's key", before))
    try:
        async with asyncio.timeout(LIMIT_S):
            while house.inner.service.counters.sent < 5:  # noqa: ASYNC110
                await asyncio.sleep(0)
        assert house.inner.service.last is not None
        assert house.inner.service.last.cut_ms > int(time.time() * 1000) + 500_000  # house time went on
    finally:
        await house.close()


async def test_who_was_erased_before_the_restart_is_refused_after_it() -> None:
    listener = pseudonym(RING, EVENING, issue(RING, EVENING, 12))
    before = kept(ahead_s=0.1, erased=(listener,))
    house = await open_house(settings(), Surroundings(PLAN, RING, "an operator's key", before))
    try:
        async with a_phone(house.relay) as phone:
            await phone.send(hello())
            assert await close_code(phone) == 4004
    finally:
        await house.close()


def test_the_afternoons_checkpoint_is_not_the_evenings(tmp_path: Path) -> None:
    """Both on one day, in one folder: its listeners, its part and its baselines are another performance's."""
    engine = Engine(PLAN, t0_ms=int(time.time() * 1000), tick_hz=HZ, epoch=5)
    engine.tick(1)
    path = tmp_path / "ripieno.checkpoint"
    checkpoint.write(path, [saved.pack(engine, Merger(PLAN, tick_hz=HZ, epoch=5), evening="matinee")])
    for name, goes_on in (("matinee", True), ("evening", False)):
        plain = replace(Settings(), checkpoint=CheckpointSection(path=str(path)))
        tonight = replace(plain, evening=replace(plain.evening, id=name))
        if goes_on:
            assert _saved(tonight, fresh=False, resume=False) is not None
            continue
        with pytest.raises(UserError, match="is of the performance 'matinee', not of 'evening'"):
            _saved(tonight, fresh=False, resume=True)
        assert _saved(tonight, fresh=True, resume=False) is None
    assert path.exists()


async def test_a_house_writes_its_evening_into_its_checkpoint(tmp_path: Path) -> None:
    path = tmp_path / "ripieno.checkpoint"
    house = await open_house(
        replace(settings(), checkpoint=CheckpointSection(path=str(path))), Surroundings(PLAN, RING, "an operator's key")
    )
    await house.close()
    assert saved.unpack(checkpoint.read(path)).evening == EVENING

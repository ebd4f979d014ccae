from __future__ import annotations

import asyncio

import pytest

from aggregator.fair_share import MOST_S, FairShare


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


async def played(others_s: float, tick_s: float, behind_ms: float, ticks: int = 200) -> float:
    """Share of the time that ticks get beside others, each of whose turns takes ``others_s``."""
    clock, own_s = Clock(), 0.0
    share = FairShare(clock)
    running = True

    async def others() -> None:
        while running:
            clock.now_s += others_s
            await asyncio.sleep(0)

    beside = asyncio.create_task(others())
    await asyncio.sleep(0)
    began_s = clock.now_s
    for _ in range(ticks):
        clock.now_s += tick_s
        own_s += tick_s
        await share.give(1000 * tick_s, behind_ms)
    running = False
    await beside
    return own_s / (clock.now_s - began_s)


async def test_who_is_in_time_gives_everybody_a_turn_after_each_tick() -> None:
    assert await played(0.15, 0.015, behind_ms=50.0) == pytest.approx(1 / 11, abs=0.01)


async def test_who_is_behind_gets_half_of_the_time() -> None:
    """In ticks of 15 ms beside turns of 150: with one tick a turn it would compute 6 a second, and 20 are due."""
    assert await played(0.15, 0.015, behind_ms=500.0) == pytest.approx(0.5, abs=0.02)


async def test_others_wait_for_two_fifths_of_a_second_at_most() -> None:
    assert await played(2.0, 0.01, behind_ms=5000.0) == pytest.approx(MOST_S / (2.0 + MOST_S), abs=0.01)


async def test_short_turns_come_after_each_tick_also_when_behind() -> None:
    assert await played(0.001, 0.01, behind_ms=5000.0) == pytest.approx(10 / 11, abs=0.01)

"""Rests between turns of the loop: what is under way goes out first, and the end of the work ends them."""

from __future__ import annotations

import asyncio
import time

import pytest

from relay import turns


async def _work() -> None:
    await asyncio.Event().wait()


class Core:
    hurries = 0
    due_ms = 1e9

    def __init__(self) -> None:
        self.flushed_s = list[float]()

    def broken(self, fault: Exception) -> None:
        raise fault

    def flush_when_due(self) -> None:
        if time.monotonic() * 1000 >= self.due_ms:
            self.flushed_s.append(time.monotonic())
            self.due_ms += 1e9


async def test_turns_that_hurry_do_not_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    core, rests = Core(), list[float]()
    monkeypatch.setattr(time, "sleep", rests.append)
    monkeypatch.setattr(time, "monotonic", lambda: 0.0)  # a turn's own work takes no time here
    work = asyncio.create_task(_work())
    turns.gather(core, work, 0.005)
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    before = len(rests)
    assert before >= 1
    assert set(rests) == {0.005}
    core.hurries = 3
    for _ in range(3):
        await asyncio.sleep(0)
    assert len(rests) == before
    assert core.hurries == 0
    await asyncio.sleep(0)
    assert len(rests) == before + 1
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)
    ended = len(rests)
    for _ in range(3):
        await asyncio.sleep(0)
    assert len(rests) <= ended + 1  # the one that was due when the work ended


async def test_a_turn_that_worked_longer_rests_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    now, rests = [0.0], list[float]()
    monkeypatch.setattr(time, "sleep", rests.append)
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    work = asyncio.create_task(_work())
    turns.gather(Core(), work, 0.005)
    now[0] = 0.002
    await asyncio.sleep(0)
    assert rests == [pytest.approx(0.003)]
    now[0] = 0.009  # the rest was a stub: this turn began at 0.002 and worked until now
    await asyncio.sleep(0)
    assert len(rests) == 1
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)


async def test_a_flush_ends_a_rest_and_the_sockets_are_read_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    now, rests, core = [0.0], list[float](), Core()

    def sleep(seconds: float) -> None:
        rests.append(seconds)
        now[0] += seconds

    monkeypatch.setattr(time, "sleep", sleep)
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    core.due_ms = 2.0
    work = asyncio.create_task(_work())
    turns.gather(core, work, 0.005)
    await asyncio.sleep(0)
    assert rests == [pytest.approx(0.002)]
    assert core.flushed_s == []  # what came during the rest is read between these two turns
    await asyncio.sleep(0)
    assert core.flushed_s == [pytest.approx(0.002)]
    assert rests[1:] == [pytest.approx(0.005)]
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)

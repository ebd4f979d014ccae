"""Ctrl-C and SIGTERM: a clean end, also where the wish comes twice."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
from collections.abc import Iterator

import pytest

from aggregator.command import common


@pytest.fixture(autouse=True)
def _collector() -> Iterator[None]:
    """What a process of its own sets for good must not outlast a test."""
    before = gc.get_threshold()
    yield
    gc.set_threshold(*before)
    gc.unfreeze()


@pytest.mark.parametrize("again_after_s", [0.0, 2 * common.ONE_WISH_S])
def test_one_wish_told_twice_ends_cleanly_and_a_later_one_at_once(
    again_after_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []

    async def work() -> int:
        loop = asyncio.get_running_loop()
        os.kill(os.getpid(), signal.SIGINT)
        try:
            await asyncio.Event().wait()
        finally:
            later_s = loop.time() + again_after_s
            monkeypatch.setattr(type(loop), "time", lambda _: later_s, raising=False)
            os.kill(os.getpid(), signal.SIGTERM)
            for _ in range(100):
                await asyncio.sleep(0)
            said.append("goodbye")
        return 0

    assert common.run_until_stopped(work()) == 0
    assert bool(said) is (again_after_s == 0.0)

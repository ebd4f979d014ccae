"""The lead dies in the middle: a warm follower goes on, nothing jumps, nothing acknowledged is lost."""

from __future__ import annotations

import asyncio
import itertools
from pathlib import Path

import pytest

from aggregator.leadership import LEAD
from aggregator.leases_redis import RedisLeaseStore
from loadtest.physiology import Audience
from loadtest.programme import demo
from loadtest.swarm import Swarm
from relay.redis_client import parse_url
from tests.redis_servers import needs_redis, single
from tests.system.helper_receiver import show_engine, until
from tests.system.helper_scaled import scaled_house

SEATS = 60
WARM_S = 2.0  # issue: publication resumes within this after a kill -9 of the lead
SLEW_PER_S = 0.5  # contract 11


@needs_redis
@pytest.mark.slow
@pytest.mark.timeout(150)
async def test_the_lead_is_killed(tmp_path: Path) -> None:
    with (
        single(tmp_path) as server,
        show_engine() as engine,
        scaled_house(tmp_path, f"redis://127.0.0.1:{server.port}", engine.port, SEATS) as house,
    ):
        tokens = house.tokens()
        for role, name in (("aggregate", "a"), ("aggregate", "b"), ("relay", "r")):
            await asyncio.to_thread(house.start, role, name)
        await asyncio.to_thread(until, lambda: house.leads() != "", 20, "a lead")
        await house.set_part("piece")
        swarm = Swarm(house.phone_url, tokens, Audience(SEATS, 3, demo(60)))
        assert await swarm.join() == SEATS
        await swarm.run(12.0)
        killed, epoch = house.leads(), engine.of("/tick")[-1].arguments[0]
        house.processes[killed].kill()
        await swarm.run(6.0)
        await swarm.close()
        ticks = engine.of("/tick")
        old = [t for t in ticks if t.arguments[0] <= epoch]
        new = [t for t in ticks if t.arguments[0] > epoch]
        assert new, "nobody took over"
        assert new[0].at_s - old[-1].at_s <= WARM_S
        assert house.leads() not in ("", killed)
        seen = swarm.statistics()
        assert seen.connects == SEATS  # no phone noticed
        nothing_jumps(engine.of("/tick"), engine.of("/house/arousal"))


@needs_redis
@pytest.mark.slow
@pytest.mark.timeout(90)
async def test_who_starts_again_under_the_same_name_does_not_go_on_with_the_old_lease(tmp_path: Path) -> None:
    """A container engine starts the next process within the lease of the one before, which may only be stopped."""
    with (
        single(tmp_path) as server,
        show_engine() as engine,
        scaled_house(tmp_path, f"redis://127.0.0.1:{server.port}", engine.port, 4) as house,
    ):
        before = RedisLeaseStore(parse_url(f"redis://127.0.0.1:{server.port}"), "evening")
        token = await before.acquire(LEAD, "a", 3_000)
        await before.close()
        await asyncio.to_thread(house.start, "aggregate", "a")
        leads = lambda tick: tick.arguments[0] > 0  # noqa: E731  (a spare's heartbeat says 0)
        await asyncio.to_thread(until, lambda: any(map(leads, engine.of("/tick"))), 20, "a lead's tick")
        assert next(filter(leads, engine.of("/tick"))).arguments[0] > token > 0


def nothing_jumps(ticks: list, values: list) -> None:  # type: ignore[type-arg]
    """By the snapshots' own time stamps, the house moves by at most 0.5 a second, over the change of lead too."""
    stamped = {}
    for tick in ticks:
        stamped[(tick.arguments[0], tick.arguments[1])] = tick.arguments[2] + tick.arguments[3] / 1e6
    assert len(values) > 100
    for a, b in itertools.pairwise(values):
        assert abs(b.arguments[0] - a.arguments[0]) <= SLEW_PER_S * max(b.at_s - a.at_s, 0.05) + 0.03

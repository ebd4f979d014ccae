"""Three real aggregators share a house on a real Redis: what the show engine receives is what the bus's entries say."""

from __future__ import annotations

import asyncio
import itertools
from pathlib import Path

import pytest

from aggregator.collector import Lists
from aggregator.command.aggregation import engine_settings
from aggregator.command.settings import load
from aggregator.engine import Engine
from aggregator.leases_redis import RedisLeaseStore
from aggregator.merger import Merger
from aggregator.portions import shards_of
from aggregator.snapshot import Snapshot
from loadtest.physiology import Audience
from loadtest.programme import demo
from loadtest.swarm import Swarm
from relay.entries import Merged, decode_control, is_packets
from relay.redis_client import Place
from relay.seat_plan import generated
from tests import faults_judge
from tests.faults_witness import EntryRecorder, datagrams
from tests.redis_servers import needs_redis, single
from tests.system.helper_receiver import log_of, until
from tests.system.helper_scaled import ScaledHouse, scaled_house

SEATS = 40
NAMES = ("a", "b", "c")  # from three on sharing spares anybody any work
OF = len(NAMES)
TICK_HZ = 10.0  # half the usual rate: half of what a busy machine has to do
LISTENED_S, MEANT = 80, 30  # until so many values of the house have been published, or it never moved
TAKEN_OVER_S = 2.0  # issue: a warm follower takes over within this


def owner_of(house: ScaledHouse, portion: int) -> str:
    """Who said last, of those that run, that it owns a portion."""
    said = []
    for name, process in house.processes.items():
        lines = [x for x in log_of(process).splitlines() if f"owns portion {portion} of {OF}, token " in x]
        if process.poll() is None and lines:
            said.append((int(lines[-1].rsplit(" ", 1)[1]), name))
    return max(said)[1] if said else ""


def replay(
    recorder: EntryRecorder, folder: Path, origin: str, until_ms: int
) -> tuple[dict[int, Snapshot], dict[int, Snapshot]]:
    """By cut: every tick as the lists have it, and as one engine that computes all shards says, nothing left out."""
    settings, plan = engine_settings(load(folder / "evening.toml", environment={})), generated(SEATS)
    t0_ms, hz = int(origin.split()[0]), float(origin.split()[1])
    whole = Engine(plan, settings, t0_ms=t0_ms, tick_hz=hz)
    shared = [Engine(plan, settings, owned=shards_of(p, OF), t0_ms=t0_ms, tick_hz=hz) for p in range(OF)]
    mergers = Merger(plan, tick_hz=hz), Merger(plan, tick_hz=hz)
    for engine in (whole, *shared):
        for stream in (*engine.owned, recorder.bus.shards):
            engine.ingest(recorder.streams[stream])
    told = [decode_control(e.payload) for e in recorder.streams[-1] if not is_packets(e.payload)]
    lists = Lists(event for event in told if isinstance(event, Merged))
    by_list, by_one, k = {}, {}, 0
    while whole.cut_ms(k) <= until_ms:
        part = mergers[0].publish([whole.tick(k)])
        collected = lists.collected(k, [engine.tick(k) for engine in shared])
        by_one[part.cut_ms] = part
        if collected.parts:
            by_list[part.cut_ms] = mergers[1].publish(collected.parts, missing=collected.missing)
        k += 1
    return by_list, by_one


def last_stretch(cuts: list[int]) -> list[int]:
    """Those that follow one another to the end; ticks left out before are another matter."""
    made = cuts[-1:]
    for ms in reversed(cuts[:-1]):
        if made[0] - ms > 1000 / TICK_HZ + 1:
            break
        made.insert(0, ms)
    return made


@needs_redis
@pytest.mark.slow
@pytest.mark.timeout(240)
async def test_an_owner_is_killed(tmp_path: Path) -> None:
    with (
        single(tmp_path) as server,
        datagrams() as engine,
        scaled_house(tmp_path, f"redis://127.0.0.1:{server.port}", engine.port, SEATS) as house,
    ):
        place = Place("single", (("127.0.0.1", server.port),))
        tokens = house.tokens()
        for name in NAMES:
            await asyncio.to_thread(house.start, "aggregate", name, "--owners", str(OF), "--tick-hz", f"{TICK_HZ:g}")
        await asyncio.to_thread(house.start, "relay", "r")
        recorder, store = EntryRecorder(place, "evening"), RedisLeaseStore(place, "evening")
        recording = asyncio.create_task(recorder.run())
        await asyncio.to_thread(
            until, lambda: {owner_of(house, p) for p in range(OF)} == set(NAMES), 30, "an owner each"
        )  # fmt: skip
        await house.set_part("piece")
        swarm = Swarm(house.phone_url, tokens, Audience(SEATS, 3, demo(120)))
        assert await swarm.join() == SEATS
        for _ in range(LISTENED_S // 4):
            await swarm.run(4.0)
            values = {dict(s.values).get("/house/arousal") for s in engine.decoded()}
            if len(values) > MEANT:
                break
        lead = house.leads()
        killed = next(name for name in NAMES if name != lead)
        lost = next(p for p in range(OF) if owner_of(house, p) == killed)
        house.processes[killed].kill()
        await swarm.run(6.0)
        assert owner_of(house, lost) in set(NAMES) - {killed}
        await swarm.close()
        recording.cancel()
        await asyncio.gather(recording, return_exceptions=True)
        await recorder.read_on()
        origin = await store.remember("origin", "")
        await store.close()
        await recorder.bus.close()
    sent = [s for s in engine.decoded() if not s.heartbeat and s.cut_ms <= recorder.complete_ms]
    by_list, by_one = replay(recorder, tmp_path, origin, sent[-1].cut_ms)
    wrong = [s.cut_ms for s in sent if any(n for _, n in faults_judge._differences(s, by_list[s.cut_ms]))]
    assert not wrong
    partial = last_stretch(sorted({s.cut_ms for s in sent if by_list[s.cut_ms].missing}))
    assert 0 < partial[-1] - partial[0] <= TAKEN_OVER_S * 1000
    assert {by_list[ms].missing for ms in partial} == {tuple(shards_of(lost, OF))}
    before = [s for s in sent if s.cut_ms < partial[0]]
    assert len({by_one[s.cut_ms].house.arousal for s in before}) > 20  # equality means something
    if not any(by_list[s.cut_ms].missing for s in before[-200:]):  # a machine that was busy may have left a tick out
        assert not [s.cut_ms for s in before[-50:] if any(n for _, n in faults_judge._differences(s, by_one[s.cut_ms]))]
    present = [int((by_list[ms].state != 0).sum()) for ms in (before[-1].cut_ms, *partial)]
    assert len(set(present)) == 1  # held
    cuts = sorted({s.cut_ms for s in sent if s.cut_ms >= before[-1].cut_ms})
    assert max(b - a for a, b in itertools.pairwise(cuts)) <= 1000  # the lead never stopped
    statuses = [dict(s.values)["/service/status"] for s in engine.decoded() if s.heartbeat]
    assert any("partial" in map(str, words) or 7 in words for words in statuses)

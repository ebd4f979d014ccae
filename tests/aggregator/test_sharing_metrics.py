"""What a shared house's metrics say."""

from __future__ import annotations

import asyncio
from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families

from aggregator.command.sharing import queues
from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.metrics import exposition
from aggregator.service import Service
from aggregator.sharing_metrics import STALE_S
from relay.bus_memory import MemoryBus
from relay.seat_plan import generated
from tests.aggregator.helper_sharing import BEGIN_S, SharedHouse, play


def test_owned_computed_and_missing(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        made = [house.start(name) for name in "ab"]
        await asyncio.sleep(BEGIN_S)
        lead = house.lead()
        other = next(one for one in made if one is not lead)
        house.kill(other)
        await asyncio.sleep(0.6)
        text = exposition(lead.service).decode()
        found = {
            (s.name, s.labels.get("kind")): s.value for f in text_string_to_metric_families(text) for s in f.samples
        }
        assert found["ripieno_house_missing_shards", None] == 8
        assert found["ripieno_sharing_owned_portions", None] == 1
        assert found["ripieno_sharing_computed_portions", None] == 2
        assert found["ripieno_sharing_ticks_total", "partial"] > 0
        assert found["ripieno_sharing_ticks_total", "whole"] > 0
        assert found["ripieno_sharing_parts_total", "taken"] > found["ripieno_sharing_parts_total", "published"] > 0
        assert found["ripieno_sharing_messages_total", "received"] > 0
        lead.service.last_s -= 2 * STALE_S  # nothing was merged since: the newest snapshot's list says nothing any more
        assert b"ripieno_house_missing_shards 16.0" in exposition(lead.service)
        assert [q.name for q in queues(lead.service)] == [
            "parts: to be sent", "parts: received", "parts: ticks that wait"
        ]  # fmt: skip

    play(scene)


async def test_one_that_has_merged_nothing_since_it_began_says_so() -> None:
    plan, bus, now_s = generated(4), MemoryBus(), [100.0]
    engine = Engine(plan, t0_ms=0, tick_hz=1.0)
    service = Service(bus, engine, Merger(plan, tick_hz=1.0), (), clock=lambda: now_s[0])
    line = b"ripieno_house_missing_shards "
    assert line + b"0.0" in exposition(service)
    now_s[0] += 1.5  # one tick a second: not yet
    assert line + b"0.0" in exposition(service)
    now_s[0] += 1.0
    assert line + b"16.0" in exposition(service)

"""Fifty listeners fall silent and come back: held, fading, following; or lost. Nothing moves too fast, nothing is lost.

The whole house in one process under real websockets; what is checked is what the outputs were handed.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest

from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.service import Service
from aggregator.snapshot import SeatState, Snapshot
from loadtest.physiology import Audience
from loadtest.programme import still
from loadtest.swarm import Swarm
from relay.bus_memory import MemoryBus
from relay.seat_card import Keyring, issue
from relay.seat_plan import generated
from relay.server import Relay, RelaySettings

SEATS, SILENT = 80, 50
TICK_HZ = 20.0
SLEW_PER_S = 0.5  # contract 11
HELD_S, FADING_S = 1.5, 4.0 + 1.5  # contract 11: silent this long -> held; held 4 s more -> fading, 6 s -> lost


@dataclass
class Seen:
    """Every snapshot that was published."""

    snapshots: list[Snapshot] = field(default_factory=list)

    def send(self, snapshot: Snapshot, now_s: float) -> None:  # noqa: ARG002
        self.snapshots.append(snapshot)

    def beat(self, now_s: float, role: str) -> None:  # noqa: ARG002
        return

    def states(self, since_ms: int = 0) -> set[int]:
        """States that the silent seats went through since then."""
        return {int(s) for snap in self.snapshots if snap.cut_ms >= since_ms for s in snap.state[:SILENT]}


@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_vanish_and_return() -> None:
    bus, ring, plan, seen = MemoryBus(), Keyring.generate(), generated(SEATS), Seen()
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=TICK_HZ)
    service = Service(bus, engine, Merger(plan, tick_hz=TICK_HZ, epoch=1), (seen,))
    relay = Relay()
    await relay.start(bus, RelaySettings(keyring=ring, evening="e"))
    running = asyncio.create_task(service.run())
    await service.set_part("piece")
    swarm = Swarm(f"ws://127.0.0.1:{relay.port}/phone", [issue(ring, "e", s + 1) for s in range(SEATS)],
                  Audience(SEATS, 5, still(600.0)))  # fmt: skip
    assert await swarm.join() == SEATS
    await swarm.run(34.0)  # contact and a first rate take up to 11 s, the provisional baseline 20 s more
    assert (seen.snapshots[-1].state[:SILENT] == SeatState.FOLLOWING).mean() > 0.8
    before = seen.snapshots[-1].house.arousal

    at_ms = seen.snapshots[-1].cut_ms
    await silent_for(swarm, 10.0)
    assert {SeatState.HELD, SeatState.FADING} <= seen.states(at_ms)
    assert SeatState.LOST not in seen.states(at_ms)
    assert abs(seen.snapshots[-1].house.arousal - before) < 0.1  # the house does not jump because some dropped out
    await swarm.run(9.0)  # the longest pause before coming back, then the glide of 3 s
    assert (seen.snapshots[-1].state[:SILENT] == SeatState.FOLLOWING).mean() > 0.8

    at_ms = seen.snapshots[-1].cut_ms
    await silent_for(swarm, 15.0)
    assert SeatState.LOST in seen.states(at_ms)
    assert (seen.snapshots[-1].confidence[:SILENT] == 0).mean() > 0.8
    await swarm.run(9.0)
    assert (seen.snapshots[-1].state[:SILENT] == SeatState.FOLLOWING).mean() > 0.8

    await swarm.close()
    await relay.close()
    service.stop()
    await running
    nothing_moves_too_fast(seen.snapshots)
    everything_acknowledged_was_used(engine, swarm)


async def silent_for(swarm: Swarm, seconds: float) -> None:
    """The first phones are out of reach: their connection is gone and every attempt to come back fails."""
    swarm.out_of_reach = frozenset(range(SILENT))
    await swarm.run(seconds)
    swarm.out_of_reach = frozenset()


def nothing_moves_too_fast(snapshots: list[Snapshot]) -> None:
    for a, b in pairwise(snapshots):
        step = SLEW_PER_S * (b.cut_ms - a.cut_ms) / 1000 + 1e-6
        assert np.abs(b.arousal - a.arousal).max() <= step
        assert abs(b.house.arousal - a.house.arousal) <= step
        for (_, x), (_, y) in zip(a.sections, b.sections, strict=True):
            assert abs(y.arousal - x.arousal) <= step


def everything_acknowledged_was_used(engine: Engine, swarm: Swarm) -> None:
    """Every packet that a phone saw acknowledged passed the engine's numbering; what it gave up was said (skip)."""
    table = engine.listeners.table
    head = dict(zip(table.stream[table.used].tolist(), engine.intake.state.head[table.used].tolist(), strict=True))
    for phone in swarm.phones:
        assert head[phone.stream] >= phone.delivery.lowest
    assert engine.all_counters()["packets"] + swarm.statistics().skipped >= swarm.statistics().acknowledged

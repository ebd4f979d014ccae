"""Building a portion up beside the loop: its newest checkpoint, then the bus, tick by tick, until it is warm. Shell.

A portion's engine may join the loop when it stands at the loop's tick, having read everything before that tick's cut:
both are looked at without a wait in between, at the beginning of one of the loop's turns, which then reads on for all
portions alike. Until then it reads and computes on its own, one tick between two of the loop's callbacks.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable

from aggregator.engine import Engine
from aggregator.portions import Portions
from relay.bus import Bus, BusUnavailable
from relay.entries import FIRST, Stamp
from relay.reread import again_from

log = logging.getLogger(__name__)

RETRY_S = 1.0  # after the bus was away, or failed over meanwhile
LOOK_S = 0.005  # a tenth of a tick: whether the loop has gone on
READ_LIMIT = 250  # of each stream at once, as the loop's own reading
FRESH_S = 150.0  # contract 7: the bus holds 120 s unread, thirty more stay for followers

#: From a checkpoint or fresh: the portion's engine, and the replication id that its positions belong to ("" any).
Build = Callable[[int], tuple[Engine, str]]
Built = tuple[Engine, dict[int, Stamp]]


class Builder:
    """Portions under way. ``bus_id()``: the replication id known now; ``rewinds()``: failovers that the loop saw."""

    def __init__(
        self, bus: Bus, portions: Portions, build: Build, *, bus_id: Callable[[], str], rewinds: Callable[[], int]
    ) -> None:
        self.bus, self.portions, self.build = bus, portions, build
        self.bus_id, self.rewinds = bus_id, rewinds
        self._tasks: dict[int, asyncio.Task[None]] = {}
        self._ready: dict[int, Built] = {}

    def begin(self, portion: int) -> None:
        """Build it up; nothing where it is being built."""
        if portion not in self._tasks:
            self._tasks[portion] = asyncio.create_task(self._run(portion))

    def under_way(self) -> set[int]:
        """Portions that are being built up; raises what went wrong with one."""
        for portion, task in list(self._tasks.items()):
            if task.done():
                del self._tasks[portion]
                task.result()
        return set(self._tasks) - set(self.portions.engines)

    def take(self) -> list[tuple[int, Built]]:
        """Those that may join the loop now; they are the caller's. Between two turns only."""
        made = [(p, built) for p, built in sorted(self._ready.items()) if built[0].k == self.portions.k]
        for portion, _ in made:
            del self._ready[portion]
        return made

    async def end(self) -> None:
        """Give up what is under way."""
        for task in self._tasks.values():
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks.values())

    async def _run(self, portion: int) -> None:
        while True:
            try:
                if await self._built(portion):
                    return
            except BusUnavailable as error:
                log.warning("portion %d is not built up yet (%s)", portion, error)
            self._ready.pop(portion, None)
            await asyncio.sleep(RETRY_S)

    async def _built(self, portion: int) -> bool:
        """False where it must begin anew: the bus failed over meanwhile."""
        engine, written_under = await asyncio.to_thread(self.build, portion)
        position: dict[int, Stamp] = dict.fromkeys((*engine.owned, self.bus.shards), FIRST) | engine.positions()
        rewinds = self.rewinds()
        if written_under and written_under != self.bus_id():
            now = await self.bus.now_ms()
            for stream, at in position.items():
                position[stream] = again_from(at, now)
                engine.rewind(stream, position[stream])
        while True:
            await self._catch_up(engine, position)
            if self.rewinds() != rewinds:
                return False
            if engine.k == self.portions.k:
                self._ready[portion] = engine, position
                await self._gone_on(engine.k)
                if self._ready.pop(portion, None) is None:
                    return True
            elif engine.k > self.portions.k:  # its checkpoint is of a loop further on
                await self._gone_on(self.portions.k)

    async def _catch_up(self, engine: Engine, position: dict[int, Stamp]) -> None:
        """Read what there is, then compute up to the loop's tick: its cut had passed before the reading."""
        target, count, oldest_ms = self.portions.k, READ_LIMIT, 1 << 62
        while count >= READ_LIMIT:
            entries = await self.bus.read(position, limit=READ_LIMIT)
            count = len(entries)
            oldest_ms = min([oldest_ms, *(e.stamp.ms for e in entries if e.stream in engine.owned)])
            for entry in entries:
                position[entry.stream] = entry.stamp
            engine.ingest(entries)
        first = engine.k + 1 if engine.k >= 0 else self._begin(oldest_ms, target)
        for k in range(first, target + 1):
            engine.tick(k)
            await asyncio.sleep(0)

    def _begin(self, oldest_ms: int, target: int) -> int:
        """A fresh engine's first tick: that of the oldest entry, so that it computes what it would have from there on;
        at most as far back as the bus keeps what nobody has read."""
        ticks_a_ms = self.portions.tick_hz / 1000
        oldest = int((oldest_ms - self.portions.t0_ms) * ticks_a_ms)
        return max(0, min(target, max(oldest, target - int(FRESH_S * 1000 * ticks_a_ms))))

    async def _gone_on(self, k: int) -> None:
        """Until the loop has computed another tick, with the engine or without it."""
        while self.portions.k == k:  # noqa: ASYNC110  (a tick has no event, and two of these at a time are rare)
            await asyncio.sleep(LOOK_S)

"""Reads every stream on from where an aggregator is, and back after a failover of the bus. Shell."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Mapping, Sequence

from aggregator.engine import Engine
from aggregator.failover import Failovers
from aggregator.service_settings import ServiceCounters
from relay.bus import Bus, BusUnavailable
from relay.entries import FIRST, Entry, Stamp
from relay.reread import REREAD_MS, Unseen, again_from

log = logging.getLogger(__name__)

READ_LEAST = 8  # of each stream: what is asked for after reading has failed again and again
READ_LIMIT = 250  # of each stream at once: 16 MB at 10,000 listeners, said well within a bus's time limit


class Reader:
    """The engine's positions on the bus. Each of ``listeners`` is told of every entry once, when it is first read, by
    ``tell(listener, entries)``."""

    def __init__(
        self,
        bus: Bus,
        engine: Engine,
        failovers: Failovers,
        counters: ServiceCounters,
        listeners: Sequence[Callable[[Sequence[Entry]], None]],
        tell: Callable[..., None],
    ) -> None:
        self._bus, self._engine, self._failovers = bus, engine, failovers
        self._counters, self._listeners, self._tell = counters, listeners, tell
        self._limit = READ_LIMIT
        self._position: dict[int, Stamp] = dict.fromkeys(range(bus.shards + 1), FIRST) | engine.positions()
        self._unseen = Unseen()

    async def on(self) -> None:
        """Everything that the bus holds now. Raises BusUnavailable."""
        while True:
            try:
                entries = await self._bus.read(self._position, limit=self._limit)
            except BusUnavailable:
                # Ten seconds read again of every stream may be more than a bus can say within its time limit: asked
                # for as much again, it would never be read.
                self._limit = max(READ_LEAST, self._limit // 4)
                raise
            for entry in entries:
                self._position[entry.stream] = entry.stamp
            self._engine.ingest(entries)
            self._counters.entries += len(entries)
            if self._listeners and (fresh := self._unseen.of(entries)):
                for listen in self._listeners:
                    self._tell(listen, fresh)
            if len(entries) < self._limit:
                self._limit = READ_LIMIT
                return

    def again(self, now_ms: int) -> None:
        """Between ticks, after a failover: go back 10 s in every stream. What is not trimmed is read again, the engine
        uses it once; an embedded bus never fails over."""
        if not self._failovers.happened():
            return
        used = self._engine.positions()
        for stream in self._position:
            to = again_from(used.get(stream, FIRST), now_ms)
            self._engine.rewind(stream, to)
            self._position[stream] = to
        self._counters.rewinds += 1
        log.warning("bus failed over: reading again from %d s before", REREAD_MS // 1000)

    def join(self, position: Mapping[int, Stamp]) -> None:
        """Read these streams too, on from there; of one that is read already from the earlier place."""
        for stream, at in position.items():
            self._position[stream] = min(at, self._position.get(stream, at))

    def keep(self, streams: Collection[int]) -> None:
        """Read no others."""
        self._position = {stream: at for stream, at in self._position.items() if stream in streams}

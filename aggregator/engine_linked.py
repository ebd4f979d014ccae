"""How alike each listener moves with the performers: rings filled at the ticks, sums moved on by entries. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from aggregator.listener_linkage import (
    BLOCK,
    MAX_LINKED,
    SAMPLE_MS,
    ArousalRing,
    ListenerLinkage,
    advance,
    forget,
    push,
    skip,
    taken,
)
from aggregator.listeners import Listeners, Role
from aggregator.performer_series import block_of
from aggregator.snapshot import Links, SeatState
from relay.entries import PerformerSeries

if TYPE_CHECKING:
    from aggregator.engine import Engine
    from aggregator.engine_view import Seating

QUIET = 6 * BLOCK  # samples: a performer unheard for a minute gives the place to another
_LIVE = np.isin(np.arange(len(SeatState)), (SeatState.RESTING, SeatState.FOLLOWING))


class Linked:
    """The listeners' rings and sums, and by stream who has which place: ``places[stream]`` up to four
    [name, sample after the newest block]."""

    def __init__(self, listeners: Listeners) -> None:
        self.ring = ArousalRing.allocate(listeners.capacity)
        self.sums = ListenerLinkage.allocate(listeners.capacity)
        for columns in (self.ring, self.sums):
            listeners.attach(columns)
        self.places: dict[int, list[tuple[str, int]]] = {}
        self._seen: tuple[Seating | None, Links] = (None, {})

    def step(self, engine: Engine) -> None:
        """At the first tick of each quarter second write the arousal of listeners who rest or follow, of the shards
        that have heard of a performer; nothing at all before any of them has."""
        n, before = engine.cut // SAMPLE_MS, (engine.cut - engine.step_ms) // SAMPLE_MS
        if n == before or not self.places:
            return
        used = slice(0, engine.listeners.used_rows)
        heard = np.zeros(engine.shards + 2, np.bool_)  # the last for shard -1
        heard[list(self.places)] = True
        table, states = engine.listeners.table, engine.states
        valid = _LIVE[states.state[used]] & heard[table.shard[used]] & (table.role[used] == Role.AUDIENCE)
        skip(self.ring, before, n)
        push(self.ring, used, n, states.own[used], valid)

    def take(self, engine: Engine, event: PerformerSeries, stream: int) -> bool:
        """Use an entry of a shard's stream: that shard's listeners against ten seconds of a performer. False when it
        is unreadable, told already, of the future, or when all places are taken."""
        block = block_of(event)
        newest_n = engine.cut // SAMPLE_MS
        if block is None or stream >= engine.shards or block.begin_n + BLOCK > newest_n + 1:
            return False
        table = engine.listeners.table
        rows = np.flatnonzero(table.used & (table.shard == stream) & (table.role == Role.AUDIENCE))
        place = self._place(stream, event.name, block.begin_n)
        if place < 0:
            return False
        held = self.places.setdefault(stream, [])
        if place == len(held):
            held.append((event.name, 0))
        elif held[place][0] != event.name:
            forget(self.sums, np.flatnonzero(table.used & (table.shard == stream)), place)
        held[place] = event.name, block.begin_n + BLOCK
        advance(self.sums, rows, place, taken(self.ring, rows, block.begin_n, newest_n), block)
        self._seen = None, {}
        return True

    def _place(self, stream: int, name: str, begin_n: int) -> int:
        """The performer's place, a free one, or that of one who is quiet; -1: none, or the block is an old one."""
        held = self.places.get(stream, [])
        for place, (known, end_n) in enumerate(held):
            if known == name:
                return place if begin_n >= end_n else -1
        if len(held) < MAX_LINKED:
            return len(held)
        end_n, place = min((end_n, place) for place, (_, end_n) in enumerate(held))
        return place if begin_n - end_n >= QUIET else -1

    def links(self, engine: Engine, seats: Seating) -> Links:
        """By performer float32 (3, n) in the order of the seats: value, lag in s, beyond the house; 0 unknown. The
        same object as long as nothing changed."""
        if self._seen[0] is not seats:
            self._seen = seats, self._links(engine, seats)
        return self._seen[1]

    def _links(self, engine: Engine, seats: Seating) -> Links:
        shard, made = engine.listeners.table.shard[seats.row], {}
        for name in sorted({name for held in self.places.values() for name, _ in held}):
            place = np.full(engine.shards + 2, -1)
            for stream, held in self.places.items():
                for number, (known, _) in enumerate(held):
                    if known == name:
                        place[stream] = number
            at = place[shard]
            columns = (self.sums.value, self.sums.lag_s, self.sums.beyond)
            table: NDArray[np.float32] = np.stack([np.where(at >= 0, c[seats.row, at], np.float32(0)) for c in columns])
            made[name] = table
        return made

    def saved(self) -> list[list[object]]:
        """Places for a checkpoint's meta."""
        return [[stream, name, end_n] for stream, held in sorted(self.places.items()) for name, end_n in held]

    def resume(self, saved: list[list[object]], owned: tuple[int, ...]) -> None:
        """Go on from :meth:`saved`; places of shards that others own are theirs."""
        self.places = {}
        for stream, name, end_n in saved:
            if stream in owned:
                self.places.setdefault(int(str(stream)), []).append((str(name), int(str(end_n))))

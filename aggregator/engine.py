"""The engine: stamped entries in, one part snapshot a tick out. Pure: no clock, no socket, no log.

``ingest`` takes entries as they are read, in order within a stream and in any order between streams; ``tick(k)`` uses
those with a stamp below the cut, runs every kernel once over all listeners who sent something, and returns what this
owner's shards say. Entries are used at about ten of the ticks a second, whose numbers do not depend on the house
(``Engine.used_at``). The same entries give the same bits, however they were read and whoever owned the shards.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from zlib import crc32

import numpy as np

from aggregator import engine_controls, engine_image, engine_view, states
from aggregator.checkpoint import CheckpointError
from aggregator.dsp.columns import Bools
from aggregator.engine_alike import Alike
from aggregator.engine_chains import Chains, ChainSettings
from aggregator.engine_controls import Muted, Shards
from aggregator.engine_left_out import LeftOutCount
from aggregator.engine_linked import Linked
from aggregator.engine_view import BodyEvents, EventLog, FeatureView
from aggregator.intake import Intake
from aggregator.listeners import MAX_LISTENERS, Listeners, Role
from aggregator.snapshot import PartSnapshot
from aggregator.states import SeatStates
from relay.bus import SHARDS
from relay.entries import FIRST, PACKETS, Entry, EntryError, Stamp, decode_control
from relay.parts import PARTS
from relay.seat_plan import SeatPlan

MAX_PENDING_BYTES = 256 << 20  # contract 7's bound of what a bus may hold unread
_PACKETS = bytes((PACKETS,))  # first byte of a packet batch
# Entries are used at ticks of at least this rate: each use costs 2 ms before it has seen a listener, whoever is there.
# At 20 ticks a second every second one: 25 ms more in the mean, of signals that are seconds old when they are felt.
USES_HZ = 10
CONTROLS_REMEMBERED = 8192  # to be known again after a failover: over 10 s of a whole house joining
CONTROLS_SAVED_MS = 20_000  # a cold start after a failover reads again from 10 s before, twice that with a slow clock
COUNTERS = ("ticks", "entries", "entries_refused", "entries_stale", "entries_not_owned", "controls_repeated")


@dataclass(frozen=True, slots=True)
class EngineSettings:
    """``rest_s``: length of the resting baseline. ``skin_response_minimum_us``: smallest response counted."""

    rest_s: float = 120.0
    skin_response_minimum_us: float = 0.05
    max_listeners: int = MAX_LISTENERS


@dataclass(slots=True)
class _Pending:
    """Entries read and not used yet, by stream, and how many bytes they hold."""

    streams: dict[int, deque[Entry]] = field(default_factory=dict)
    size: int = 0


@lru_cache(maxsize=8)
def _all(rows: int, value: bool) -> Bools:
    """The same for every row; to be read only."""
    made = np.full(rows, value)
    made.flags.writeable = False
    return made


class Engine:
    """One owner's listeners and the state of their evening."""

    def __init__(
        self,
        plan: SeatPlan,
        settings: EngineSettings | None = None,
        *,
        owned: Iterable[int] = range(SHARDS),
        shards: int = SHARDS,
        epoch: int = 1,
        t0_ms: int,
        tick_hz: float,
    ) -> None:
        """Raises ValueError: a tick rate outside 1..44, an owned shard that does not exist."""
        self.plan, self.settings = plan, settings or EngineSettings()
        self.owned, self.shards = tuple(sorted(set(owned))), shards
        if not 1 <= tick_hz <= 44 or any(not 0 <= s < shards for s in self.owned):
            raise ValueError(f"tick_hz must be 1..44 and owned shards 0..{shards - 1}, got {tick_hz}, {self.owned}")
        self.epoch, self.t0_ms, self.tick_hz = epoch, t0_ms, tick_hz
        self._uses = max(1, int(tick_hz // USES_HZ))
        self.listeners = Listeners(limit=self.settings.max_listeners)
        self.states = SeatStates.allocate(self.listeners.capacity)
        self.listeners.attach(self.states)
        self.intake = Intake(self.listeners)
        self.chains = Chains(
            self.listeners,
            ChainSettings(self.settings.rest_s, self.settings.skin_response_minimum_us),
            tick_hz,
        )
        self.alike = Alike(self.listeners)
        self.left_out = LeftOutCount()
        self.linked = Linked(self.listeners)
        self.shards_state = Shards.fresh(shards + 1)
        self.muted = Muted()
        self.k = -1
        self.cut = t0_ms
        self.step_ms = 0
        self.own_counters: dict[str, int] = dict.fromkeys(COUNTERS + engine_controls.COUNTERS, 0)
        self._pending = _Pending()
        self._position: dict[int, Stamp] = {}
        self._streams = frozenset((*self.owned, shards))
        self._used: dict[tuple[int, Stamp, int], None] = {}
        self._events = EventLog()
        self._seating: engine_view.Seating | None = None

    @property
    def counters(self) -> dict[str, int]:
        """Monotone counts by name."""
        return {**self.own_counters, **self.intake.counters, "events_dropped": self._events.dropped}

    def cut_ms(self, k: int) -> int:
        """Tick k's cut: t0 + ceil(1000 k / rate), whole ms of house time."""
        return self.t0_ms + int(-(-1000 * k // self.tick_hz))

    def used_at(self, k: int) -> int:
        """The newest tick up to k at which entries are used: a multiple of floor(rate / 10), of 1 below 20 a second."""
        return k - k % self._uses

    def _turn(self, k: int, turns_hz: int) -> bool:
        """Whether a turn of channels that have so many a second comes at tick k, at which entries are used, or came
        since the last tick: a multiple of some uses, whose number does not depend on the house either."""
        return k - k % (self._uses * max(1, int(self.tick_hz / self._uses // turns_hz))) > self.k

    def ingest(self, entries: Sequence[Entry]) -> None:
        """Keep entries until the tick that their stamp falls into. Over the bound the newest are refused (counted)."""
        streams, held = self._pending.streams, self._pending.size
        for entry in entries:
            stream, size = entry.stream, len(entry.payload)
            queue = streams.get(stream)
            if queue is None:
                if stream not in self._streams:
                    self.own_counters["entries_not_owned"] += 1
                    continue
                queue = streams[stream] = deque()
            if held + size > MAX_PENDING_BYTES:
                self.own_counters["entries_refused"] += 1
            elif entry.stamp <= (queue[-1].stamp if queue else self._position.get(stream, FIRST)):
                self.own_counters["entries_stale"] += 1
            else:
                queue.append(entry)
                held += size
        self._pending.size = held

    def tick(self, k: int) -> PartSnapshot:
        """Use everything stamped before ``used_at(k)``'s cut and say what the listeners of the owned shards are like.

        Raises ValueError: a tick at or before the last one.
        """
        if k <= self.k:
            raise ValueError(f"ticks run forwards: tick {k} after tick {self.k}")
        cut = self.cut_ms(k)
        self.step_ms = cut - (self.cut if self.k >= 0 else self.cut_ms(k - 1))
        used = self.used_at(k)
        if used > self.k:
            self._read(self.cut_ms(used))
            self.absorb(self.cut_ms(used))
            for made in self.chains.turns(lambda turns_hz: self._turn(used, turns_hz)):
                self._events.add(self, made)
        self.k, self.cut = k, cut
        self._advance()
        self.own_counters["ticks"] += 1
        return engine_view.snapshot(self, self.seating())

    def _read(self, cut: int) -> None:
        """Due entries of every stream: runs of packet batches are routed together, controls take effect in between."""
        due = self._due(cut)
        while due:
            batches: list[Entry] = []
            for queue in due:
                n = len(queue)
                while n and queue[n - 1].payload[:1] == _PACKETS:
                    n -= 1
                batches += reversed(queue[n:])
                del queue[n:]
            if batches:
                self.intake.offer(batches)
            for queue in due:
                while queue and queue[-1].payload[:1] != _PACKETS:
                    self._control(queue.pop())
            due = [queue for queue in due if queue]

    def _due(self, cut: int) -> list[list[Entry]]:
        """Entries stamped before the cut, by stream in ascending order, each stream's newest first."""
        made = []
        for stream in sorted(self._pending.streams):
            queue = self._pending.streams[stream]
            taken = []
            if queue and queue[-1].stamp.ms < cut:  # mostly all of them
                taken = list(queue)
                queue.clear()
            while queue and queue[0].stamp.ms < cut:
                taken.append(queue.popleft())
            if taken:
                self._pending.size -= sum(len(entry.payload) for entry in taken)
                self._position[stream] = taken[-1].stamp
                self.own_counters["entries"] += len(taken)
                taken.reverse()
                made.append(taken)
        return made

    def _control(self, entry: Entry) -> None:
        key = (entry.stream, entry.stamp, crc32(entry.payload))
        if key in self._used:
            self.own_counters["controls_repeated"] += 1
            return
        self._used[key] = None
        if len(self._used) > CONTROLS_REMEMBERED:
            del self._used[next(iter(self._used))]
        try:
            event = decode_control(entry.payload)
        except EntryError:
            self.own_counters["control_malformed"] += 1
            return
        engine_controls.apply(self, event, entry.stamp, entry.stream)

    def absorb(self, now_ms: int, row: int = -1) -> None:
        """Run the kernels over the packets offered so far; of one row only, where it is given."""
        taken = self.intake.take(now_ms, row)
        states.heard(self.states, taken.rows, taken.stamp_ms)
        for made in self.chains.process(taken):
            self._events.add(self, made)

    def _advance(self) -> None:
        seats = self.seating()
        rest, drift, live = self._rules()
        self.chains.observe(
            live=live, rest=rest, drift=drift, now_ms=self.cut, prior=self.shards_state.priors(self.owned)
        )
        n = self.listeners.used_rows
        reading = self.chains.reading(n, rest)
        states.advance(self.states, slice(0, n), reading, live[:n], self.cut, self.step_ms)
        self.alike.step(self, seats)
        self.left_out.step(self, seats)
        self.linked.step(self)

    def _rules(self) -> tuple[Bools, Bools, Bools]:
        """For each row: its part takes a resting baseline, lets it drift, and whether the row is computed at all."""
        table, parts = self.listeners.table, self.shards_state.part
        live = table.used & table.consent
        mine = {parts[shard] for shard in self.owned}
        if len(mine) == 1:
            rules = PARTS[mine.pop()]
            return _all(len(live), rules.rest), _all(len(live), rules.drift), live
        rest, drift = (np.array([getattr(PARTS[name], rule) for name in parts]) for rule in ("rest", "drift"))
        return rest[table.shard], drift[table.shard], live  # shard -1: rows without a claim, computed for nobody

    def begin_row(self, row: int) -> None:
        """A listener, or a new stream of one, starts in this row."""
        self.chains.begin(row, int(self.listeners.table.listener[row]), self.k)

    def seats_changed(self) -> None:
        """Who sits where, who is muted or who counts must be worked out anew."""
        self._seating = None

    def seating(self) -> engine_view.Seating:
        """Rows by seat, kept until something changes."""
        if self._seating is None:
            engine_controls.mute_rows(self)
            self._seating = engine_view.seating(self)
        return self._seating

    def forget_events(self, listener: int) -> None:
        """Nothing of this listener remains among the events not yet drained."""
        self._events.forget(listener)

    def features(self) -> FeatureView:
        """What is known of every listener with consent, in ascending order of listener."""
        return engine_view.features(self)

    def drain_events(self) -> BodyEvents:
        """Body events since the last call (bounded: the oldest are lost, counted)."""
        return self._events.drain()

    def performer_events(self) -> dict[int, list[tuple[str, float, float, int]]]:
        """The performers' body events since the last tick, by row: (name, value, age in s, count)."""
        return self._events.take_performers(self.cut)

    def positions(self) -> dict[int, Stamp]:
        """The stamp of the last entry used, by stream: read on after it, trim up to it."""
        return dict(self._position)

    def rewind(self, stream: int, stamp: Stamp) -> None:
        """After the bus failed over: entries of this stream after ``stamp`` are taken again when they are read again.

        Packets are told apart by their numbers; a control entry that was used lately is not used twice.
        """
        if stamp < self._position.get(stream, FIRST):
            self._position[stream] = stamp
        gone = self._pending.streams.pop(stream, deque())  # unused so far, and read again with the rest
        self._pending.size -= sum(len(entry.payload) for entry in gone)

    def controls_used(self) -> list[list[int]]:
        """Stream, stamp and checksum of the control entries used in the last 20 s of each stream, for checkpoints."""
        least = {stream: stamp.ms - CONTROLS_SAVED_MS for stream, stamp in self._position.items()}
        return sorted([stream, *stamp, mark] for stream, stamp, mark in self._used if stamp.ms >= least.get(stream, 0))

    def resume_controls(self, used: Iterable[Sequence[int]]) -> None:
        """These control entries were used before the checkpoint."""
        self._used = {(stream, Stamp(ms, n), mark): None for stream, ms, n, mark in used}

    def resume_positions(self, positions: dict[int, Stamp]) -> None:
        """Entries up to these stamps were used before the checkpoint."""
        self._position = {stream: stamp for stream, stamp in positions.items() if stream in self._streams}

    def all_counters(self) -> dict[str, int]:
        """The counters and what waits at present, as the snapshot carries them."""
        return {
            **self.counters,
            "waiting_listeners": len(self.intake.waiting),
            "pending_bytes": self._pending.size,
        }

    def prior_summary(self) -> tuple[dict[str, float], dict[str, float]] | None:
        """The house's location and scale a feature from proper baselines, for a HousePrior entry; None when too few
        listeners have one."""
        table = self.listeners.table
        rows = np.flatnonzero(table.used & table.consent & (table.role == Role.AUDIENCE))
        return self.chains.prior_summary(rows)

    def checkpoint(self) -> bytes:
        """The whole state of listeners with consent, as aggregator.checkpoint's bytes."""
        return engine_image.encode(self)

    @classmethod
    def restore(
        cls,
        image: bytes,
        plan: SeatPlan,
        settings: EngineSettings | None = None,
        *,
        owned: Iterable[int] | None = None,
        epoch: int,
    ) -> Engine:
        """An engine that goes on from a checkpoint with the given epoch.

        Raises CheckpointError: damaged, of another version, or of other shards than asked for.
        """
        return engine_image.decode(cls, image, plan, settings, owned, epoch)


__all__ = ["BodyEvents", "CheckpointError", "Engine", "EngineSettings", "FeatureView"]

"""What leaves the engine at a tick: the part snapshot, features by listener, body events. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from aggregator import clock
from aggregator.dsp.columns import Bools, Floats, Ints, Rows
from aggregator.house import section_histograms
from aggregator.listeners import Role
from aggregator.snapshot import BINS, STATES, PartSnapshot, PerformerValue, SeatState

if TYPE_CHECKING:
    from aggregator.engine import Engine

MAX_EVENTS = 65_536  # 4 s of beats and responses of 10,000 listeners
MAX_PARTS = 1024  # of which each takes about 1 kB however few events it has
_COUNTS = np.zeros(STATES)  # 1 for the states in which a listener's own value, less the fade, is to be trusted
_COUNTS[[SeatState.RESTING, SeatState.FOLLOWING, SeatState.HELD, SeatState.FADING]] = 1.0


@dataclass(frozen=True, slots=True)
class Seating:
    """Rows in the order of what they are read for: ``row`` (n,) by ascending ``seat`` (n,), ``section`` (n,) of each;
    ``blank`` rows of sensors without a finger; ``performers`` rows by slot."""

    row: Rows
    seat: Ints
    section: Ints
    blank: Rows
    performers: Rows


def seating(engine: Engine) -> Seating:
    """Who sits where: audience with consent on a seat of the plan; of two claims of a seat the newest counts."""
    table, plan = engine.listeners.table, engine.plan
    here = table.used & table.consent
    row = np.flatnonzero(here & (table.role == Role.AUDIENCE) & (table.seat >= 1) & (table.seat <= plan.seats))
    order = np.lexsort((table.listener[row], table.claim_n[row], table.claim_ms[row], table.seat[row]))
    row = row[order]
    seat = table.seat[row]
    last = np.append(seat[1:] != seat[:-1], True)[: len(seat)]
    row, seat = row[last], seat[last]
    performers = np.flatnonzero(here & (table.slot >= 0))
    return Seating(
        row,
        seat,
        plan.section[seat - 1],
        np.flatnonzero(here & (table.role == Role.BLANK)),
        performers[np.argsort(table.slot[performers])],
    )


def snapshot(engine: Engine, seats: Seating) -> PartSnapshot:
    """The engine's listeners at its last tick."""
    held = engine.states
    own, state, fade = held.own[seats.row], held.state[seats.row], held.fade[seats.row]
    confidence = _confidence(engine, seats.row, state, fade)
    sections = len(engine.plan.sections)
    weights, sums, counted = section_histograms(2.0 * own - 1.0, confidence, seats.section, sections)
    counts = np.bincount(seats.section * STATES + state, minlength=sections * STATES).reshape(sections, STATES)
    blank, blank_sum = _blanks(engine, seats.blank)
    return PartSnapshot(
        k=engine.k,
        cut_ms=engine.cut,
        epoch=engine.epoch,
        shards=engine.owned,
        part=engine.shards_state.newest_part(),
        seat=seats.seat,
        own=own,
        confidence=confidence,
        state=state,
        fade=fade,
        weights=weights,
        sums=sums,
        counted=counted,
        states=counts.astype(np.int64),
        blank_weights=blank,
        blank_sum=blank_sum,
        synchrony=engine.alike.done,
        blank_synchrony=engine.alike.blank_done,
        performers=_performers(engine, seats.performers),
        left_out=engine.left_out.now,
        links=engine.linked.links(engine, seats),
        counters=engine.all_counters(),
    )


def _confidence(engine: Engine, rows: Rows, state: NDArray[np.uint8], fade: Floats) -> Floats:
    """Confidence as published: what the live value had, less the fade; 0 where there is no own value to trust."""
    trusted: Floats = engine.states.confidence[rows] * (1.0 - fade)
    trusted *= _COUNTS[state]
    return trusted


def _blanks(engine: Engine, rows: Rows) -> tuple[NDArray[np.int64], int]:
    """The negative control as one histogram, all of one weight: what the sensors without a finger claim to read."""
    if not len(rows):
        return np.zeros(BINS, np.int64), 0
    claim = engine.alike.claims(engine, rows)
    weights, sums, _ = section_histograms(2.0 * claim - 1.0, np.ones(len(rows)), np.zeros(len(rows), np.int64), 1)
    return weights[0], int(sums[0])


def _performers(engine: Engine, rows: Rows) -> tuple[PerformerValue, ...]:
    events = engine.performer_events()
    made = []
    for row in rows:
        slot = int(engine.listeners.table.slot[row])
        held, at = engine.states, np.array([row])
        confidence = _confidence(engine, at, held.state[at], held.fade[at])
        made.append(
            PerformerValue(
                name=engine.listeners.names[slot],
                arousal=float(held.own[row]),
                confidence=float(confidence[0]),
                state=int(held.state[row]),
                channels=engine.chains.channel_values(slot),
                events=tuple(events.get(int(row), ())),
                number=int(engine.listeners.table.seat[row]),
            )
        )
    return tuple(made)


@dataclass(frozen=True, slots=True)
class FeatureView:
    """Every listener with consent, ascending ``listener``; arrays (n,); NaN where not known."""

    listener: NDArray[np.uint64]
    seat: Ints
    role: NDArray[np.uint8]
    state: NDArray[np.uint8]
    arousal: Floats
    confidence: Floats
    fade: Floats
    pulse_rate_bpm: Floats
    pulse_quality: Floats
    skin_level_us: Floats
    skin_responses: Ints
    temperature_c: Floats


def features(engine: Engine) -> FeatureView:
    """See Engine.features."""
    table, held = engine.listeners.table, engine.states
    rows = np.flatnonzero(table.used & table.consent)
    rows = rows[np.argsort(table.listener[rows])]
    state, fade = held.state[rows], held.fade[rows]
    known = engine.chains.features(rows)
    return FeatureView(
        listener=table.listener[rows],
        seat=table.seat[rows],
        role=table.role[rows],
        state=state,
        arousal=held.own[rows],
        confidence=_confidence(engine, rows, state, fade),
        fade=fade,
        **known,
    )


@dataclass(frozen=True, slots=True)
class RowEvents:
    """Body events of one kind as a chain gives them: ``row`` of the main table, phone time, value."""

    kind: str
    row: Rows
    time_us: Floats
    value: Floats


@dataclass(frozen=True, slots=True)
class BodyEvents:
    """Body events, arrays (e,): ``kind`` beat, breath or response; ``phone_time_us`` of the event itself (systolic
    peak, onset), ``house_ms`` the same by the clock's mapping, ``value`` (interval in s, amplitude in uS)."""

    listener: NDArray[np.uint64]
    kind: NDArray[np.str_]
    phone_time_us: Floats
    house_ms: Floats
    value: Floats

    def select(self, keep: Bools) -> BodyEvents:
        """Those to keep."""
        return BodyEvents(
            self.listener[keep], self.kind[keep], self.phone_time_us[keep], self.house_ms[keep], self.value[keep]
        )

    @classmethod
    def join(cls, parts: Sequence[BodyEvents]) -> BodyEvents:
        """All of them in order."""
        none = np.empty(0)
        return cls(
            np.concatenate([np.empty(0, np.uint64), *(p.listener for p in parts)]),
            np.concatenate([np.empty(0, "<U8"), *(p.kind for p in parts)]),
            np.concatenate([none, *(p.phone_time_us for p in parts)]),
            np.concatenate([none, *(p.house_ms for p in parts)]),
            np.concatenate([none, *(p.value for p in parts)]),
        )


@dataclass(slots=True)
class EventLog:
    """Body events until somebody drains them: bounded, the oldest go first and are counted."""

    parts: deque[BodyEvents] = field(default_factory=deque)
    size: int = 0
    dropped: int = 0
    performers: dict[int, list[tuple[str, float, float]]] = field(default_factory=dict)

    def add(self, engine: Engine, made: RowEvents) -> None:
        """Label events with listener and house time, in ascending order of listener and time."""
        if not len(made.row):
            return
        table = engine.listeners.table
        order = np.lexsort((made.time_us, table.listener[made.row]))
        row, time_us, value = made.row[order], made.time_us[order], made.value[order]
        house = clock.to_house(engine.intake.clock, row, time_us * 1e-3)
        kind = np.full(len(row), made.kind, "<U8")
        self.parts.append(BodyEvents(table.listener[row], kind, time_us, house, value))
        self.size += len(row)
        while self.size > MAX_EVENTS or len(self.parts) > MAX_PARTS:
            gone = self.parts.popleft()
            self.size -= len(gone.listener)
            self.dropped += len(gone.listener)
        if engine.listeners.names:
            for i in np.flatnonzero(table.slot[row] >= 0):
                kept = self.performers.setdefault(int(row[i]), [])
                kept.append((made.kind, float(value[i]), float(house[i])))

    def drain(self) -> BodyEvents:
        made = BodyEvents.join(list(self.parts))
        self.parts.clear()
        self.size = 0
        return made

    def forget(self, listener: int) -> None:
        for _ in range(len(self.parts)):
            part = self.parts.popleft()
            kept = part.select(part.listener != np.uint64(listener))
            self.size += len(kept.listener) - len(part.listener)
            self.parts.append(kept)

    def take_performers(self, now_ms: int) -> dict[int, list[tuple[str, float, float, int]]]:
        """Per performer's row and kind the newest event since the last tick, its age in s, and how many there were."""
        made: dict[int, list[tuple[str, float, float, int]]] = {}
        for row, kept in self.performers.items():
            for kind in sorted({k for k, _, _ in kept}):
                mine = [(value, house) for k, value, house in kept if k == kind]
                value, house = mine[-1]
                made.setdefault(row, []).append((kind, value, (now_ms - house) / 1000, len(mine)))
        self.performers.clear()
        return made

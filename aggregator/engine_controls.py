"""What control entries do to the engine: claims, consent, erasure, parts, baselines, priors. Pure.

Each control entry takes effect at its place in its own stream, before the packets that follow it there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from aggregator.listeners import Claimed, Role
from relay import entries
from relay.entries import Control, Stamp
from relay.parts import FIRST_PART, PARTS

if TYPE_CHECKING:
    from aggregator.engine import Engine

COUNTERS = (
    "controls", "control_malformed", "claims", "claims_refused", "claims_replaced", "consents", "withdrawals",
    "erasures", "seats_unknown", "priors", "baselines_undone", "baselines_loaded", "control_ignored",
    "performer_blocks",
)  # fmt: skip


@dataclass(slots=True)
class Shards:
    """What holds for all listeners of a bus stream: its part of the evening, its prior. Index: stream number, the
    house's last."""

    part: list[str]
    part_stamp: list[Stamp]
    prior: list[dict[str, float]]

    @classmethod
    def fresh(cls, streams: int) -> Shards:
        return cls([FIRST_PART] * streams, [entries.FIRST] * streams, [{} for _ in range(streams)])

    def priors(self, owned: Sequence[int]) -> list[dict[str, float]]:
        """Each stream's prior; what no owned listener can be of takes the first owned one's."""
        usual = self.prior[owned[0]] if owned else {}
        return [given if stream in owned else usual for stream, given in enumerate(self.prior)]

    def newest_part(self) -> str:
        """The part by the newest stamp (the lowest stream among equals)."""
        best = max(range(len(self.part)), key=lambda i: (self.part_stamp[i], -i))
        return self.part[best]


@dataclass(slots=True)
class Muted:
    """Seats that an operator muted; ``all`` mutes every seat."""

    seats: set[int] = field(default_factory=set)
    all: bool = False


def apply(engine: Engine, event: Control, stamp: Stamp, stream: int) -> None:
    """Take one control entry of ``stream``; what does not concern the engine is ignored. Never raises: an entry whose
    fields are of other types than declared is counted, and changes nothing."""
    engine.own_counters["controls"] += 1
    handler = _HANDLERS.get(type(event))
    if handler is None:
        return
    listener = getattr(event, "listener", 0)
    if type(listener) is not int or not 0 <= listener < 1 << 64:
        engine.own_counters["control_malformed"] += 1
        return
    try:
        handler(engine, event, stamp, stream)
    except (TypeError, AttributeError):
        engine.own_counters["control_malformed"] += 1


def _join(engine: Engine, event: entries.Join, stamp: Stamp, stream: int) -> None:
    row = engine.listeners.row_of.get(event.listener, -1)
    if row >= 0 and int(engine.listeners.table.stream[row]) != event.stream and engine.intake.offered(row):
        engine.absorb(stamp.ms, row)  # packets of the old stream that were read before this claim still count
    done, row = engine.listeners.claim(event, stamp, stream)
    if done is Claimed.REFUSED:
        engine.own_counters["claims_refused"] += 1
        return
    engine.own_counters["claims"] += 1
    if not 0 < event.seat <= engine.plan.seats and event.role == "audience":
        engine.own_counters["seats_unknown"] += 1
    if done is Claimed.REPLACED:
        engine.own_counters["claims_replaced"] += 1
        engine.listeners.clear(row)  # baseline follows the stream, never the seat or the phone
    if done is not Claimed.SAME:
        engine.intake.start(row, event.lowest)
        engine.begin_row(row)
    elif not engine.intake.begun(row):
        engine.intake.start(row, event.lowest)  # back after a withdrawal: as a checkpoint without the row would have it
    engine.states.left[row] = False
    engine.seats_changed()


def _departure(engine: Engine, event: entries.Departure, _: Stamp, __: int) -> None:
    """A goodbye makes the seat absent; a closed connection is only silence."""
    row = engine.listeners.row_of.get(event.listener, -1)
    if row >= 0 and event.reason == "goodbye" and int(engine.listeners.table.stream[row]) == event.stream:
        engine.states.left[row] = True


def _consent(engine: Engine, event: entries.Consent, _: Stamp, __: int) -> None:
    yes = event.answer is True
    engine.own_counters["consents" if yes else "withdrawals"] += 1
    row = engine.listeners.answer(event.listener, yes)
    if row >= 0 and not yes:
        engine.intake.drop(row)
        head = int(engine.intake.state.head[row])
        engine.listeners.clear(row)
        engine.intake.start(row, head)
        engine.begin_row(row)
        engine.forget_events(event.listener)
    engine.seats_changed()


def _erase(engine: Engine, event: entries.Erase, _: Stamp, __: int) -> None:
    engine.own_counters["erasures"] += 1
    row = engine.listeners.row_of.get(event.listener, -1)
    if row >= 0:
        engine.intake.drop(row)
    engine.listeners.erase(event.listener)
    engine.forget_events(event.listener)
    engine.seats_changed()


def _skip(engine: Engine, event: entries.Skip, _: Stamp, __: int) -> None:
    row = engine.listeners.row_of.get(event.listener, -1)
    if row >= 0 and int(engine.listeners.table.stream[row]) == event.stream:
        engine.intake.skip(row, event.first, event.last)


def _part(engine: Engine, event: entries.Part, stamp: Stamp, stream: int) -> None:
    if event.name not in PARTS:
        engine.own_counters["control_ignored"] += 1
        return
    engine.shards_state.part[stream] = event.name
    engine.shards_state.part_stamp[stream] = stamp


def _baseline(engine: Engine, event: entries.Baseline, _: Stamp, stream: int) -> None:
    if event.action == "undo":
        table = engine.listeners.table
        rows = engine.listeners.rows()
        engine.chains.undo_rest(rows[table.shard[rows] == stream])
        engine.own_counters["baselines_undone"] += 1
    elif event.action == "load":
        slots = [s for s, name in engine.listeners.names.items() if name == event.name]
        loaded = [engine.chains.load_rest(slot, event.values) for slot in slots]
        engine.own_counters["baselines_loaded" if any(loaded) else "control_ignored"] += 1


def _prior(engine: Engine, event: entries.HousePrior, _: Stamp, stream: int) -> None:
    scale = {str(name): float(v) for name, v in event.scale.items()}
    if all(0 < v < np.inf for v in scale.values()):
        engine.shards_state.prior[stream] = scale
        engine.own_counters["priors"] += 1
    else:
        engine.own_counters["control_ignored"] += 1


def _series(engine: Engine, event: entries.PerformerSeries, _: Stamp, stream: int) -> None:
    engine.own_counters["performer_blocks" if engine.linked.take(engine, event, stream) else "control_ignored"] += 1


def _command(engine: Engine, event: entries.Command, _: Stamp, __: int) -> None:
    """``mute`` and ``unmute`` with {"seat": number}; without a seat all of them. Other commands are the outputs'."""
    if event.name not in ("mute", "unmute"):
        return
    muting, seat = event.name == "mute", event.arguments.get("seat")
    if type(seat) is int and 0 < seat <= engine.plan.seats:
        (engine.muted.seats.add if muting else engine.muted.seats.discard)(seat)
    elif seat is None:
        engine.muted.all = muting
        if not muting:
            engine.muted.seats.clear()
    engine.seats_changed()


def mute_rows(engine: Engine) -> None:
    """Bring the rows' marks in line with the muted seats."""
    table = engine.listeners.table
    audience = table.used & (table.role == Role.AUDIENCE)
    if engine.muted.all:
        engine.states.muted[:] = audience
    else:
        engine.states.muted[:] = audience & np.isin(table.seat, sorted(engine.muted.seats))


_HANDLERS: dict[type[Any], Callable[[Any, Any, Stamp, int], None]] = {
    entries.Join: _join,
    entries.Departure: _departure,
    entries.Consent: _consent,
    entries.Erase: _erase,
    entries.Skip: _skip,
    entries.Part: _part,
    entries.Baseline: _baseline,
    entries.HousePrior: _prior,
    entries.PerformerSeries: _series,
    entries.Command: _command,
}

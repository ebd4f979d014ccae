"""Driving an engine over recorded entries, and comparing what it says bit by bit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields
from itertools import pairwise

import numpy as np

from aggregator.engine import Engine, EngineSettings
from aggregator.snapshot import PartSnapshot
from relay.bus import SHARDS
from relay.entries import Entry, Part
from relay.seat_plan import generated
from tests.aggregator.helper_signals import T0_MS, Phone, Tape

TICK_HZ = 10.0  # half the usual rate: half the time of a test
REST_S = 30.0  # a shorter rest than an evening's, so that tests are short


def engine(seats: int, **options: object) -> Engine:
    """An engine on an invented hall, ticking from T0_MS."""
    return Engine(generated(seats), EngineSettings(rest_s=REST_S), t0_ms=T0_MS, tick_hz=TICK_HZ, **options)  # type: ignore[arg-type]


def evening(phones: Sequence[Phone], seconds: float, part: str = "rest") -> Tape:
    """An evening's entries: the part, claims and consents, then packets for so many seconds."""
    tape = Tape()
    tape.everywhere(T0_MS, Part(part))
    for phone in phones:
        for control in phone.controls():
            tape.control(phone.start_ms, phone.shard, control)
    tape.send(s for phone in phones for s in phone.packets(seconds))
    return tape


class Drive:
    """Feeds entries to an engine tick by tick."""

    def __init__(self, made: Engine, entries: Iterable[Entry]) -> None:
        self.engine = made
        self.waiting = sorted(entries, key=lambda e: (e.stamp, e.stream))
        self.at = 0
        self.k = made.k + 1 if made.k >= 0 else 1

    def run(self, seconds: float, look: Callable[[PartSnapshot], None] | None = None) -> list[PartSnapshot]:
        """Ticks for so many seconds; ``look`` is called after each."""
        made = []
        for _ in range(round(seconds * self.engine.tick_hz)):
            cut = self.engine.cut_ms(self.k)
            end = self.at
            while end < len(self.waiting) and self.waiting[end].stamp.ms < cut:
                end += 1
            self.engine.ingest(self.waiting[self.at : end])
            self.at = end
            made.append(self.engine.tick(self.k))
            self.k += 1
            if look is not None:
                look(made[-1])
        return made


def same(a: PartSnapshot, b: PartSnapshot, *, but: Sequence[str] = ("counters",)) -> list[str]:
    """Names of the fields in which two part snapshots differ in any bit."""
    different = []
    for f in fields(PartSnapshot):
        if f.name in but:
            continue
        x, y = getattr(a, f.name), getattr(b, f.name)
        if isinstance(x, np.ndarray):
            equal = x.dtype == y.dtype and x.shape == y.shape and x.tobytes() == y.tobytes()
        elif isinstance(x, dict) and any(isinstance(v, np.ndarray) for v in x.values()):
            equal = [(n, v.dtype, v.shape, v.tobytes()) for n, v in x.items()] == [
                (n, v.dtype, v.shape, v.tobytes()) for n, v in y.items()
            ]
        else:
            equal = repr(x) == repr(y)
        if not equal:
            different.append(f.name)
    return different


def features_of(made: Engine, listener: int) -> dict[str, bytes]:
    """Every feature of one listener, as bytes."""
    view = made.features()
    at = int(np.flatnonzero(view.listener == np.uint64(listener))[0])
    return {f.name: np.asarray(getattr(view, f.name)[at]).tobytes() for f in fields(view)}


def owners(count: int) -> list[range]:
    """The shards in ``count`` runs."""
    edges = [round(i * SHARDS / count) for i in range(count + 1)]
    return [range(a, b) for a, b in pairwise(edges)]

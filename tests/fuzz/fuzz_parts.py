"""Coverage-guided fuzzing of what aggregators tell each other:
``python -m tests.fuzz.fuzz_parts tests/fuzz/corpus/parts -max_total_time=60``.

Held: the readers raise nothing but PartError; a part that is read can be merged, and is told again as the same bits.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np

from aggregator.house import section_histograms
from aggregator.merge import merge
from aggregator.parts_wire import (
    PartError,
    decode_part,
    decode_presence,
    encode_part,
    encode_presence,
    plan_mark,
    read_head,
)
from aggregator.portions import shards_of
from aggregator.shards import Presence
from aggregator.snapshot import BINS, STATES, PartSnapshot, PerformerValue, SynchronySums
from relay.seat_plan import generated
from tests.fuzz.instrument import fuzz

PLAN = generated(60)


def some_part(
    seed: int, seats: int, shards: tuple[int, ...], *, gaps: bool = True, plain: bool = False
) -> PartSnapshot:
    """A part with everything in it (``plain``: seats alone); ``gaps``: not the first seats but any."""
    rng = np.random.default_rng(seed)
    seat = np.sort(rng.permutation(PLAN.seats)[:seats]) + 1 if gaps else np.arange(1, seats + 1)
    seat = seat.astype(np.int64)
    own, confidence = rng.random(seats), rng.random(seats)
    state = rng.integers(0, STATES, seats).astype(np.uint8)
    fade = np.where(rng.random(seats) < 0.3, rng.random(seats), 0.0) * (not plain)
    section, sections = PLAN.section[seat - 1], len(PLAN.sections)
    weights, sums, counted = section_histograms(2.0 * own - 1.0, confidence, section, sections)
    counts = np.bincount(section * STATES + state, minlength=sections * STATES).reshape(-1, STATES)
    blank = (rng.random(BINS) < 0.01).astype(np.int64) * 255 * (not plain)
    window = [rng.integers(0, 1 << 40, (2, 240)) for _ in range(3)]
    window[2] = rng.integers(0, 50, (2, 240)) * int(rng.random() < 0.7)
    viola = PerformerValue(
        "viola", rng.random(), rng.random(), 3, {"pulse": (0.5, rng.random())}, (("beat", 0.8, 0.01, 2),), (0.1, 0.2), 4
    )  # fmt: skip
    if not window[2].any():
        window = [np.zeros((2, 240), np.int64)] * 3
    return PartSnapshot(
        k=int(rng.integers(0, 1 << 31)), cut_ms=1_700_000_000_000 + seed, epoch=3, shards=shards, part="piece",
        seat=seat, own=own, confidence=confidence, state=state, fade=fade, weights=weights, sums=sums, counted=counted,
        states=counts.astype(np.int64), blank_weights=blank, blank_sum=int(rng.integers(-9999, 9999)) * (not plain),
        synchrony=None if plain else SynchronySums(9, *window), performers=() if plain else (viola,),
        left_out={} if plain else {"skin": (2, 20)}, counters={} if plain else {"gaps": 7},
        links={} if plain else {"viola": rng.random((3, seats)).astype(np.float32)},
    )  # fmt: skip


def example(seed: int) -> bytes:
    """A message of any kind."""
    if seed % 3 == 0:
        return encode_presence(Presence("a", {1: 5}, frozenset({0, 1}), frozenset()), 2, farewell=seed % 2 == 0)
    return encode_part(some_part(seed, seed % 30, tuple(shards_of(1, 3))), 1, 3, plan_mark(PLAN), 7, 9, mark=seed)


def one_input(data: bytes) -> None:
    """Everything that must hold for any bytes."""
    with suppress(PartError):
        read_head(data)
    with suppress(PartError):
        decode_presence(data)
    try:
        told = decode_part(data, PLAN)
    except PartError:
        return
    part, head = told.part, told.head
    merge([part])
    given = replace(part, links=told.links or {})
    again = encode_part(
        given, head.portion, head.of, head.plan, head.sender, head.token, mark=told.mark, links=told.links is not None
    )  # fmt: skip
    twice = decode_part(again, PLAN)
    assert twice.part.own.tobytes() == part.own.tobytes()
    assert twice.part.fade.tobytes() == part.fade.tobytes()
    told_of, told_again = ((p.k, p.performers, p.counters) for p in (part, twice.part))
    assert repr(told_again) == repr(told_of)  # also where a value is not known, NaN


if __name__ == "__main__":
    fuzz(one_input)

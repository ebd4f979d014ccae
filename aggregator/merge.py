"""All parts of one tick as one: integers added, seats in order. Exact, and the same for any order of owners. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Floats, Ints
from aggregator.snapshot import LeftOut, PartSnapshot, PerformerValue, SynchronySums
from aggregator.synchrony import merge_sums, sum_of

MAX_SHARD = 62  # shard numbers are kept as bits


@dataclass(frozen=True, slots=True)
class Merged:
    """All parts of one tick as one: seats ascending, integers added. Arrays as in PartSnapshot; ``shard_bits`` int64
    (n,) the shards of the part that each seat came from."""

    k: int
    cut_ms: int
    epoch: int
    part: str
    seat: Ints
    own: Floats
    confidence: Floats
    state: NDArray[np.uint8]
    fade: Floats
    shard_bits: Ints
    weights: Ints
    sums: Ints
    counted: Ints
    states: Ints
    blank_weights: Ints
    blank_sum: int
    synchrony: SynchronySums | None
    blank_synchrony: SynchronySums | None
    performers: tuple[PerformerValue, ...]
    left_out: LeftOut
    counters: dict[str, int]


def merge(parts: Sequence[PartSnapshot]) -> Merged:
    """Add up the parts of one tick; exact, and the same in any order.

    A seat that two parts name (a listener came back in another shard within the tick) is shown as the part that
    trusts it more has it, at equal trust the part with the lowest shard. Synchrony is that of the newest window.

    Raises:
        ValueError: no parts, parts of different ticks or plans, or a shard in two parts.
    """
    if not parts:
        raise ValueError("merge: no parts")
    parts = sorted(parts, key=lambda p: p.shards)
    shards = [shard for p in parts for shard in p.shards]
    if len({p.k for p in parts}) > 1 or len({p.weights.shape for p in parts}) > 1 or len(set(shards)) < len(shards):
        found = [(p.k, p.shards, p.weights.shape) for p in parts]
        raise ValueError(f"merge: parts must share tick and sections, and no shard; found (k, shards, shape) {found}")
    if any(not 0 <= shard < MAX_SHARD for shard in shards):
        raise ValueError(f"merge: shards found {shards}, allowed 0..{MAX_SHARD - 1}")
    first = parts[0]
    seats = _merge_seats(parts)
    return Merged(
        k=first.k,
        cut_ms=first.cut_ms,
        epoch=max(p.epoch for p in parts),
        part=first.part,
        seat=seats["seat"],
        own=seats["own"],
        confidence=seats["confidence"],
        state=seats["state"],
        fade=seats["fade"],
        shard_bits=seats["shard_bits"],
        weights=sum_of([p.weights for p in parts]),
        sums=sum_of([p.sums for p in parts]),
        counted=sum_of([p.counted for p in parts]),
        states=sum_of([p.states for p in parts]),
        blank_weights=sum_of([p.blank_weights for p in parts]),
        blank_sum=sum(p.blank_sum for p in parts),
        synchrony=merge_sums([p.synchrony for p in parts]),
        blank_synchrony=merge_sums([p.blank_synchrony for p in parts]),
        performers=tuple(sorted((v for p in parts for v in p.performers), key=lambda v: v.name)),
        left_out=_add_left_out(parts),
        counters=_add_counters(parts),
    )


def _merge_seats(parts: Sequence[PartSnapshot]) -> dict[str, NDArray[Any]]:
    bits = [np.full(len(p.seat), sum(1 << s for s in p.shards), np.int64) for p in parts]
    made: dict[str, NDArray[Any]] = {"shard_bits": bits[0] if len(bits) == 1 else np.concatenate(bits)}
    names = ("seat", "own", "confidence", "state", "fade")
    if len(parts) == 1:
        return made | {name: getattr(parts[0], name) for name in names}
    for name in names:
        made[name] = np.concatenate([getattr(p, name) for p in parts])
    order = np.argsort(made["seat"], kind="stable")
    seat = made["seat"][order]
    if (seat[1:] == seat[:-1]).any():
        order = np.lexsort((-made["confidence"], made["seat"]))  # stable: the lowest shard first at equal confidence
        order = order[np.append(True, seat[1:] != seat[:-1])]
    return {name: array[order] for name, array in made.items()}


def _add_left_out(parts: Sequence[PartSnapshot]) -> LeftOut:
    channels = sorted({channel for p in parts for channel in p.left_out})
    pairs = {channel: [p.left_out.get(channel, (0, 0)) for p in parts] for channel in channels}
    return {channel: (sum(out for out, _ in each), sum(of for _, of in each)) for channel, each in pairs.items()}


def _add_counters(parts: Sequence[PartSnapshot]) -> dict[str, int]:
    total: dict[str, int] = {}
    for p in parts:
        for name, count in p.counters.items():
            total[name] = total.get(name, 0) + count
    return dict(sorted(total.items()))

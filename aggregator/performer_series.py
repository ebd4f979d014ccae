"""The performers' series as entries for the shards: which are due, and what is read from them. Pure.

Shards never read each other: what they need of a performer, and of the house, arrives as an entry on their own stream,
valid from the tick its stamp falls into. The lead writes them; a second lead's repetition of a block changes nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

import numpy as np

from aggregator.dsp.columns import Floats
from aggregator.linkage import LinkageTracker
from aggregator.listener_linkage import BLOCK, HZ, LAGS, MAX_LINKED, SAMPLE_MS, Block, high_passed
from relay.entries import PerformerSeries

HISTORY = 120 * HZ  # samples before the block, from which its running mean is known
DIGITS = 5  # of arousal: a tenth of what a bin of the house's histogram holds
LEAST_KNOWN = 0.5  # of the block's samples of the performer
MAX_NAME = 64  # characters


class SeriesWriter:
    """What the lead has written; ``due`` is asked at every tick and says what to write now."""

    def __init__(self, shards: int) -> None:
        self._written = [-1] * shards
        self._waiting: deque[tuple[int, PerformerSeries]] = deque(maxlen=shards * MAX_LINKED)
        self._made: tuple[int, list[PerformerSeries]] = (-1, [])

    def due(self, tracker: LinkageTracker, counted: int) -> list[tuple[int, PerformerSeries]]:
        """(stream, entry) for each shard whose block of 10 s is complete; shards take turns over the next 10 s, so
        that no tick has the work of all, and of several performers one entry goes out at a call. ``counted``: listeners
        in the house's value. Empty without performers."""
        shards = len(self._written)
        for stream, written in enumerate(self._written):
            number = (tracker.newest_n + 1 - stream * BLOCK // shards) // BLOCK - 1
            if number <= written:
                continue
            self._written[stream] = number
            if written >= 0:
                self._waiting.extend((stream, entry) for entry in self._block(tracker, number, counted))
        return [self._waiting.popleft()] if self._waiting else []

    def _block(self, tracker: LinkageTracker, number: int, counted: int) -> list[PerformerSeries]:
        if self._made[0] != number:
            house, performers = tracker.recent((number + 1) * BLOCK, HISTORY + LAGS - 1 + BLOCK)
            self._made = number, entries_of(number, house, performers, counted)
        return self._made[1]


def entries_of(number: int, house: Floats, performers: Mapping[str, Floats], counted: int) -> list[PerformerSeries]:
    """The entries of block ``number`` (samples 40 number to 40 number + 40) from raw series that end with it: of the
    first four performers by name who are known in half of it."""
    known = [name for name in sorted(performers) if np.isfinite(performers[name][-BLOCK:]).mean() >= LEAST_KNOWN]
    common = _list(high_passed(house, BLOCK))
    start_ms = (number * BLOCK - (LAGS - 1)) * SAMPLE_MS
    return [
        PerformerSeries(
            name, start_ms, SAMPLE_MS, _list(high_passed(performers[name], BLOCK + LAGS - 1)), common, counted
        )
        for name in known[:MAX_LINKED]
    ]


def _list(values: Floats) -> list[float]:
    return [round(v, DIGITS) for v in values.tolist()]


def block_of(event: PerformerSeries) -> Block | None:
    """The block in an entry; None when its fields are not what :func:`entries_of` writes."""
    words = (event.start_ms, event.step_ms, event.counted)
    if not isinstance(event.name, str) or not 0 < len(event.name) <= MAX_NAME:
        return None
    if any(type(word) is not int for word in words) or event.step_ms != SAMPLE_MS or event.start_ms % SAMPLE_MS:
        return None
    if not 0 <= event.start_ms < 1 << 53 or not 0 <= event.counted < 1 << 32:
        return None
    if not _numbers(event.values, BLOCK + LAGS - 1) or not _numbers(event.house, BLOCK):
        return None
    return Block.of(event.start_ms // SAMPLE_MS, np.array(event.values), np.array(event.house), event.counted)


def _numbers(values: object, count: int) -> bool:
    """So many differences of arousal."""
    return (
        isinstance(values, list)
        and len(values) == count
        and all(type(v) in (int, float) and math.isfinite(v) and abs(v) <= 1 for v in values)
    )

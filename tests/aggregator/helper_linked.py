"""Performers' entries on every shard's stream, as the lead writes them, from series that a test chooses."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from aggregator.listener_linkage import BLOCK, SAMPLE_MS
from aggregator.performer_series import HISTORY, entries_of
from relay.bus import SHARDS
from relay.entries import PerformerSeries
from tests.aggregator.helper_signals import T0_MS, Tape


def wave(period_s: float, seconds: float, size: float = 0.1) -> NDArray[np.float64]:
    """A performer's arousal at 4 Hz from T0_MS on."""
    made: NDArray[np.float64] = 0.5 + size * np.sin(2 * np.pi * np.arange(round(4 * seconds)) / (4 * period_s))
    return made


def blocks(
    performers: dict[str, NDArray[np.float64]], house: NDArray[np.float64], counted: int
) -> Iterator[tuple[int, list[PerformerSeries]]]:
    """(house ms at which it is complete, entries) of each block of ten seconds that the series hold."""
    first_n = T0_MS // SAMPLE_MS
    for number in range(-(-first_n // BLOCK), (first_n + len(house)) // BLOCK):
        end = (number + 1) * BLOCK - first_n
        early = {
            name: np.concatenate([np.full(HISTORY, np.nan), series[:end]])[-HISTORY - BLOCK - 32 :]
            for name, series in performers.items()
        }
        yield T0_MS + end * SAMPLE_MS, entries_of(number, house[:end], early, counted)


def tell(
    tape: Tape,
    performers: dict[str, NDArray[np.float64]],
    house: NDArray[np.float64],
    counted: int = 1000,
    late_ms: int = 300,
) -> None:
    """Put the blocks on every shard's stream, each shard's half a second after the one before."""
    for ms, entries in blocks(performers, house, counted):
        for stream in range(SHARDS):
            for entry in entries:
                tape.control(ms + late_ms + 500 * stream, stream, entry)

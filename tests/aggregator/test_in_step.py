"""The common case of resampling gives the bits of the general way, and leaves to it what is not common."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from aggregator.dsp import resample as module
from aggregator.dsp.columns import Bools, Floats, Ints
from aggregator.dsp.grid import GridBlock
from aggregator.dsp.resample import GridState, Mode, resample

M = 6
HOUSE_US = 5_000_000_000


class Streams:
    """Six phones with samples ``offset_us`` after their grid points, three at a time."""

    def __init__(self, grid_hz: int, mode: Mode, offset_us: Ints) -> None:
        self.state, self.hz, self.mode, self.offset_us = GridState.allocate(M), grid_hz, mode, offset_us

    def feed(self, n: int, value: Floats, moved_us: Ints | int = 0, jumped: Bools | None = None) -> list[GridBlock]:
        period = 1_000_000 // self.hz
        rows, count = np.arange(M), np.full(M, 3)
        steps = n * 3 + np.arange(3)
        # The first sample of all is the grid's origin; those after it lie off it by each phone's own offset.
        time = HOUSE_US + steps * period + np.where(steps == 0, 0, self.offset_us[:, None] + moved_us)
        return resample(
            self.state, rows, rows * 3, count, time.ravel(), value.ravel(),
            np.zeros(M, np.bool_) if jumped is None else jumped, grid_hz=self.hz, mode=self.mode,
        )  # fmt: skip


def bits(state: GridState, blocks: list[GridBlock]) -> list[bytes]:
    parts: list[Any] = [a for b in blocks for a in (b.rows, b.count, b.index, b.restart, b.x, b.valid)]
    return [np.ascontiguousarray(a).tobytes() for a in [*parts, *state.arrays().values()]]


def run(grid_hz: int, mode: Mode, offset_us: Ints) -> tuple[list[list[bytes]], list[bool]]:
    """Bits after each packet, and whether the packet took the short way; packets 4, 7 and 9 are out of the ordinary."""
    rng = np.random.default_rng(8)
    streams, made, short = Streams(grid_hz, mode, offset_us), [], []
    inner: Callable[..., GridBlock | None] = vars(module)["in_step"]

    def watched(*args: Any, **named: Any) -> GridBlock | None:
        block = inner(*args, **named)
        short.append(block is not None)
        return block

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "in_step", watched)
        for n in range(12):
            value = rng.standard_normal((M, 3)) + 5
            if n == 4:
                value[2, 2] = np.nan
            late = np.where(np.arange(M) == 1, 900, 0)[:, None] if n == 9 else 0
            blocks = streams.feed(n, value, late, np.arange(M) == 3 if n == 7 else None)
            made.append(bits(streams.state, blocks))
    return made, short


def never_short(*_: Any, **__: Any) -> None:
    """Nothing is the common case."""


@pytest.mark.parametrize(("grid_hz", "mode"), [(64, "linear"), (8, "mean"), (1, "mean"), (16, "mean")])
@pytest.mark.parametrize("offset_us", [0, 500])
def test_the_short_way_gives_the_bits_of_the_general_way(
    grid_hz: int, mode: Mode, offset_us: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    offset = offset_us * np.arange(M)
    made, short = run(grid_hz, mode, offset)
    assert sum(short) >= 6
    assert not short[0]
    assert not short[4]
    assert not short[7]
    monkeypatch.setattr(module, "in_step", never_short)
    general, never = run(grid_hz, mode, offset)
    assert not any(never)
    assert made == general

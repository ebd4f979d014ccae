"""Samples of slow channels wait a few ticks, so that their kernels are called less often for more listeners. Pure.

Each call of a kernel costs half a millisecond before it has seen a listener. When a channel's turn comes depends on the
tick's number alone, and what waits lies in columns: checkpoints, erasure and row changes need nothing of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column
from aggregator.intake import Samples

ROOM = 8  # samples that may wait: 0.2 s at 32 Hz, the fastest skin sensor; the wait of what is faster is not worth it


@dataclass(slots=True)
class Waits(Columns):
    """Samples of one channel that wait, in order; beyond ``count`` what stands there means nothing."""

    time_us: Ints = column(doc="phone time", tail=(ROOM,), dtype=np.int64)
    value: Floats = column(doc="own unit, NaN missing", tail=(ROOM,))
    count: Ints = column(doc="how many wait", dtype=np.int64)
    jumped: Bools = column(doc="the first of them begins anew", dtype=np.bool_)
    full: Bools = column(doc="there was no room: until the channel's turn nothing waits", dtype=np.bool_)


def arrive(waits: Waits, rows: Rows, samples: Samples) -> list[Samples]:
    """Let samples of ``rows`` (as in ``samples``) wait. Returns what cannot, to be used now, in this order.

    That is a listener's samples beyond ROOM (with what waited before them), of a clock that jumped while others of the
    old clock waited, and all that follows before the channel's turn. It depends on the listener's own samples alone.
    """
    held = waits.count[rows]
    over = held + samples.count > ROOM
    over |= samples.jumped & (held > 0)
    over |= waits.full[rows]
    if not over.any():
        _store(waits, rows, samples, held)
        return []
    waits.full[rows[over]] = True
    _store(waits, rows[~over], _some(samples, ~over), held[~over])
    before = rows[over & (held > 0)]
    return [*([_leave(waits, before)] if len(before) else []), _some(samples, over)]


def leave(waits: Waits) -> Samples | None:
    """The channel's turn: everything that waits; None where nothing does."""
    waits.full[:] = False
    rows = np.flatnonzero(waits.count)
    return _leave(waits, rows) if len(rows) else None


def _some(samples: Samples, keep: Bools) -> Samples:
    return Samples(
        samples.rows[keep], samples.first[keep], samples.count[keep], samples.time_us, samples.value,
        samples.jumped[keep],
    )  # fmt: skip


def _store(waits: Waits, rows: Rows, samples: Samples, held: Ints) -> None:
    """Samples behind the ``held`` ones of each row."""
    if not len(rows):
        return
    count, width = samples.count, int(samples.count[0])
    waits.count[rows] = held + count
    if not held.any():
        waits.jumped[rows] = samples.jumped
        if len(rows) * width == len(samples.time_us) and (count == width).all():
            waits.time_us[rows, :width] = samples.time_us.reshape(-1, width)
            waits.value[rows, :width] = samples.value.reshape(-1, width)
            return
    else:
        waits.jumped[rows] |= samples.jumped
    place = np.arange(int(count.sum())) - np.repeat(count.cumsum() - count, count)
    row, at = np.repeat(rows, count), np.repeat(samples.first, count) + place
    place += np.repeat(held, count)
    waits.time_us[row, place], waits.value[row, place] = samples.time_us[at], samples.value[at]


def _leave(waits: Waits, rows: Rows) -> Samples:
    """All samples of the rows (distinct, ascending), which then have none."""
    count, jumped = waits.count[rows], waits.jumped[rows]
    width = int(count.max())
    time_us, value = waits.time_us[rows, :width], waits.value[rows, :width]
    ends = count.cumsum()
    if int(ends[-1]) == len(rows) * width:
        time_us, value = time_us.reshape(-1), value.reshape(-1)
    else:
        there = np.arange(width) < count[:, None]
        time_us, value = time_us[there], value[there]
    waits.count[rows] = 0
    if jumped.any():
        waits.jumped[rows] = False
    return Samples(rows, ends - count, count, time_us, value, jumped)

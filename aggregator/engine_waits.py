"""Samples of slow channels wait a few ticks, so that their kernels are called less often for more listeners. Pure.

Each call of a kernel costs half a millisecond before it has seen a listener. When a channel's turn comes depends on the
tick's number alone, and what waits lies in columns: checkpoints, erasure and row changes need nothing of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column
from aggregator.intake import Samples

ROOM = 4  # samples that may wait: 0.5 s of a sensor at 8 Hz; more would cost memory traffic at every turn


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
    held = waits.count.take(rows)
    over = held + samples.count > ROOM
    anew = np.count_nonzero(samples.jumped)
    if anew:
        over |= samples.jumped & (held > 0)
    if np.count_nonzero(waits.full):
        over |= waits.full[rows]
    if anew:
        waits.jumped[rows] |= samples.jumped & ~over
    if not np.count_nonzero(over):
        _store(waits, rows, samples, held)
        return []
    waits.full[rows[over]] = True
    _store(waits, rows[~over], _some(samples, ~over), held[~over])
    before = rows[over & (held > 0)]
    return [*([_leave(waits, before)] if len(before) else []), _some(samples, over)]


def leave(waits: Waits) -> Samples | None:
    """The channel's turn: everything that waits; None where nothing does."""
    if np.count_nonzero(waits.full):
        waits.full[:] = False
    rows = waits.count.nonzero()[0]
    return _leave(waits, rows) if len(rows) else None


def _some(samples: Samples, keep: Bools) -> Samples:
    return Samples(
        samples.rows[keep], samples.first[keep], samples.count[keep], samples.time_us, samples.value,
        samples.jumped[keep],
    )  # fmt: skip


def _store(waits: Waits, rows: Rows, samples: Samples, held: Ints) -> None:
    """Samples behind the ``held`` ones of each row. As one line: numpy scatters short rows three times slower."""
    if not len(rows):
        return
    count, width = samples.count, int(samples.count[0])
    waits.count[rows] = held + count
    times, values = waits.time_us.reshape(-1), waits.value.reshape(-1)
    place = rows * ROOM
    place += held
    if len(rows) * width == len(samples.time_us) and np.count_nonzero(count == width) == len(count):
        time_us, value = samples.time_us.reshape(-1, width), samples.value.reshape(-1, width)
        for j in range(width):
            times[place], values[place] = time_us[:, j], value[:, j]
            place += 1
        return
    step = np.arange(int(count.sum())) - np.repeat(count.cumsum() - count, count)
    at = np.repeat(samples.first, count) + step
    step += np.repeat(place, count)
    times[step], values[step] = samples.time_us[at], samples.value[at]


def _leave(waits: Waits, rows: Rows) -> Samples:
    """All samples of the rows (distinct, ascending), which then have none."""
    count, jumped = waits.count.take(rows), waits.jumped.take(rows)
    ends, place = count.cumsum(), rows * ROOM
    width = int(count[0])
    if np.count_nonzero(count == width) == len(count):
        time_us, value = np.empty(int(ends[-1]), np.int64), np.empty(int(ends[-1]))
        for j in range(width):
            time_us[j::width], value[j::width] = waits.time_us.take(place), waits.value.take(place)
            place += 1
    else:
        at = np.arange(int(ends[-1])) + np.repeat(place - (ends - count), count)
        time_us, value = waits.time_us.take(at), waits.value.take(at)
    waits.count[rows] = 0
    if np.count_nonzero(jumped):
        waits.jumped[rows] = False
    return Samples(rows, ends - count, count, time_us, value, jumped)

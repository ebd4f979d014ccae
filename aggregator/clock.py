"""Phone clock to house clock, a listener a row: labels results, never moves samples. Pure.

A packet that left the phone at phone time t arrives at house time a >= t + offset: the network only ever delays. So
the smallest ``a - t`` lately seen is the best guess of the offset::

    offset = min over the last one to two windows of (a - t)             window: 15 s of arrivals
    skew   = slope between the first window's minimum and the newest     after 120 s, within +-200 parts per million
    house_ms(t) = t + offset + skew * (t - time of the newest minimum)

A phone's clock *jumped* when it runs backwards, or when a packet claims a time more than 2 s after its own arrival
(against the offset so far, and against the packet before it, so that a backlog is no jump). Then the mapping is
anchored anew and the stream's filters restart.

Does not measure the path's constant delay: half a round trip stays in the offset (some 10 ms in a hall).
Source: minimum-delay filtering as in network time protocols (RFC 5905, clock filter); 200 ppm is common practice for
phone oscillators with margin (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column

WINDOW_MS = 15_000.0  # long enough to hold a packet without queueing, short enough that 200 ppm is only 3 ms
SKEW_LIMIT = 200e-6
SKEW_AFTER_MS = 120_000.0  # over less, queueing noise of some 10 ms would look like skew
JUMP_MS = 2_000.0  # later than its own arrival by this much: the phone's clock was set


@dataclass(slots=True)
class ClockState(Columns):
    """Readable: ``last_us`` phone time of the newest packet, -1 before the first. The rest serves :func:`to_house`."""

    last_us: Ints = column(doc="phone time of the newest packet, us; -1 none", dtype=np.int64, fill=-1)
    last_arrival_ms: Floats = column(doc="its arrival, house ms")
    now_min: Floats = column(doc="smallest arrival - phone time in this window, ms", fill=np.inf)
    now_at: Floats = column(doc="phone time of that packet, ms")
    old_min: Floats = column(doc="the same of the window before", fill=np.inf)
    old_at: Floats = column(doc="phone time of that packet, ms")
    first_min: Floats = column(doc="the same of the first whole window", fill=np.inf)
    first_at: Floats = column(doc="phone time of that packet, ms")
    window_end_ms: Floats = column(doc="arrival at which this window ends, house ms")
    skew: Floats = column(doc="house ms a phone ms, minus 1")


def forget(state: ClockState, rows: Rows) -> None:
    """Anchor anew at the next packet: a new stream, or a clock that jumped."""
    state.clear(rows)


def to_house(state: ClockState, rows: Rows, time_ms: Floats) -> Floats:
    """House time in ms of phone times in ms; ``rows`` and ``time_ms`` of equal shape; NaN before the first packet."""
    now_min, old_min = state.now_min.take(rows), state.old_min.take(rows)
    offset = np.minimum(now_min, old_min)
    at = np.where(now_min <= old_min, state.now_at.take(rows), state.old_at.take(rows))
    house: Floats = time_ms + offset
    house += state.skew.take(rows) * (time_ms - at)
    np.copyto(house, np.nan, where=offset == np.inf)
    return house


def jumps(state: ClockState, rows: Rows, time_us: Ints, arrival_ms: Floats, first: Bools) -> Bools:
    """Which packets' phone clock jumped, shape (p,).

    Packets lie in order of row, then sequence; ``first`` marks each row's first one, which is compared with the
    columns, the others with the packet before them.
    """
    before_us, before_ms = state.last_us[rows], state.last_arrival_ms[rows]
    if np.count_nonzero(first) < first.size:
        before_us[1:] = np.where(first[1:], before_us[1:], time_us[:-1])
        before_ms[1:] = np.where(first[1:], before_ms[1:], arrival_ms[:-1])
    known = before_us >= 0
    step_ms = (time_us - before_us) * 1e-3
    time_ms = time_us.astype(np.float64) * 1e-3
    ahead = to_house(state, rows, time_ms) > arrival_ms + JUMP_MS  # NaN compares False
    return known & ((time_us < before_us) | (ahead & (step_ms - (arrival_ms - before_ms) > JUMP_MS)))


def follow(state: ClockState, rows: Rows, first: Rows, time_us: Ints, arrival_ms: Floats) -> None:
    """Fold a tick's packets in. ``rows`` (m,) distinct, row i's packets are ``first[i]`` up to the next one's first."""
    if not len(rows):
        return
    time_ms = time_us * 1e-3
    smallest, at, last = arrival_ms - time_ms, time_ms, first
    if len(rows) < len(time_us):
        delay = smallest
        last = np.append(first[1:], len(time_us)) - 1
        smallest = np.minimum.reduceat(delay, first)
        owner = np.repeat(np.arange(len(rows)), last - first + 1)
        places = np.where(delay == smallest[owner], np.arange(len(delay)), len(delay))
        at = time_ms[np.minimum.reduceat(places, first)]
    _roll(state, rows[arrival_ms[last] >= state.window_end_ms[rows]], arrival_ms, last, rows)
    better = (smallest < state.now_min.take(rows)).nonzero()[0]
    if len(better):  # seldom: a packet that came quicker than all of its window
        state.now_min[rows[better]], state.now_at[rows[better]] = smallest[better], at[better]
    state.last_us[rows] = time_us[last]
    state.last_arrival_ms[rows] = arrival_ms[last]


def _roll(state: ClockState, due: Rows, arrival_ms: Floats, last: Rows, rows: Rows) -> None:
    """Begin the next window of the rows that are due: this one's minimum becomes the old one, and tells the skew."""
    if not len(due):
        return
    whole = np.isfinite(state.now_min[due])
    closed = due[whole]
    state.old_min[closed], state.old_at[closed] = state.now_min[closed], state.now_at[closed]
    fresh = closed[~np.isfinite(state.first_min[closed])]
    state.first_min[fresh], state.first_at[fresh] = state.now_min[fresh], state.now_at[fresh]
    span = state.now_at[closed] - state.first_at[closed]
    slope = (state.now_min[closed] - state.first_min[closed]) / np.where(span > 0, span, 1.0)
    known = span >= SKEW_AFTER_MS
    state.skew[closed] = np.where(known, np.clip(slope, -SKEW_LIMIT, SKEW_LIMIT), state.skew[closed])
    state.now_min[due] = np.inf
    ends = np.zeros(len(state.last_us))
    ends[rows] = arrival_ms[last] + WINDOW_MS
    state.window_end_ms[due] = ends[due]

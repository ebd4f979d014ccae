"""Slow channels: samples wait for their turn; none is lost, doubled or out of order, whoever else is there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.dsp.columns import Ints
from aggregator.engine import Engine
from aggregator.engine_view import RowEvents
from aggregator.engine_waits import ROOM, Waits, arrive, leave
from aggregator.intake import Samples
from aggregator.listeners import Kind
from relay.entries import Erase
from relay.seat_plan import generated
from tests.aggregator.helper_engine import Drive, engine, evening
from tests.aggregator.helper_signals import T0_MS, Phone, house

ROWS = 4
tick = st.lists(st.tuples(st.integers(0, ROOM + 3), st.booleans()), min_size=ROWS, max_size=ROWS)


def samples_of(counts: list[int], jumped: list[bool], next_us: Ints) -> Samples:
    """So many samples of each row, numbered on from ``next_us``."""
    rows = np.flatnonzero(counts)
    count = np.array(counts)[rows]
    time_us = np.concatenate([np.arange(next_us[r], next_us[r] + counts[r]) for r in rows] or [np.empty(0, np.int64)])
    next_us += counts
    return Samples(rows, count.cumsum() - count, count, time_us, time_us * 0.5, np.array(jumped)[rows])


def split(of_a_tick: list[tuple[int, bool]], cut: int) -> list[tuple[list[int], list[bool]]]:
    """The same samples in two parts: the packets that were read before somebody else's claim, and after it."""
    first = [min(n, cut) for n, _ in of_a_tick]
    jumped = [j for _, j in of_a_tick]
    return [(first, jumped), ([n - f for (n, _), f in zip(of_a_tick, first, strict=True)],
                              [j and not f for j, f in zip(jumped, first, strict=True)])]  # fmt: skip


class Row:
    """What came out for each row, with the tick at which it did."""

    def __init__(self) -> None:
        self.got: list[list[tuple[int, int, float, bool]]] = [[] for _ in range(ROWS)]

    def take(self, k: int, some: Samples) -> None:
        for row, first, count, jumped in zip(some.rows, some.first, some.count, some.jumped, strict=True):
            for j in range(first, first + count):
                made = (k, int(some.time_us[j]), float(some.value[j]), bool(jumped) and j == first)
                self.got[row].append(made)


def played(ticks: list[list[tuple[int, bool]]], every: int, cut: int) -> Row:
    """Ticks of samples, a turn at each ``every``-th; ``cut``: how they were split within a tick."""
    waits, out, next_us = Waits.allocate(ROWS), Row(), np.zeros(ROWS, np.int64)
    for k, of_a_tick in enumerate(ticks):
        for counts, jumped in split(of_a_tick, cut):
            some = samples_of(counts, jumped, next_us)
            for now in arrive(waits, some.rows, some):
                out.take(k, now)
        if k % every == 0 and (rest := leave(waits)) is not None:
            out.take(k, rest)
    if (rest := leave(waits)) is not None:
        out.take(len(ticks), rest)
    assert not waits.count.any()
    assert not waits.jumped.any()
    return out


@settings(max_examples=200, deadline=None)
@given(st.lists(tick, min_size=1, max_size=8), st.integers(1, 4), st.integers(0, ROOM))
def test_all_come_out_once_in_order_however_a_tick_was_split(
    ticks: list[list[tuple[int, bool]]], every: int, cut: int
) -> None:
    whole = played(ticks, every, ROOM + 3)
    for row, got in enumerate(whole.got):
        assert [t for _, t, _, _ in got] == list(range(sum(tick[row][0] for tick in ticks)))
        assert all(value == t * 0.5 for _, t, value, _ in got)
        assert [k for k, *_ in got] == sorted(k for k, *_ in got)
        begins, at = set(), 0
        for n, jumped in (tick[row] for tick in ticks):
            begins |= {at} if jumped and n else set()
            at += n
        assert {t for _, t, _, jumped in got if jumped} == begins
    assert played(ticks, every, cut).got == whole.got


@settings(max_examples=100, deadline=None)
@given(st.lists(tick, min_size=1, max_size=6), st.integers(1, 3))
def test_who_else_is_there_changes_nothing(ticks: list[list[tuple[int, bool]]], every: int) -> None:
    together = played(ticks, every, ROOM + 3)
    for row in range(ROWS):
        alone = [[of if r == row else (0, False) for r, of in enumerate(tick)] for tick in ticks]
        assert played(alone, every, ROOM + 3).got[row] == together.got[row]


@pytest.mark.parametrize(
    ("tick_hz", "skin", "temperature"), [(1.0, 1, 1), (10.0, 2, 5), (20.0, 4, 10), (30.0, 6, 15), (44.0, 8, 20)]
)
def test_turns_are_ticks_by_number(tick_hz: float, skin: int, temperature: int) -> None:
    """Skin five times a second, temperature twice, at ticks at which entries are used."""
    made = Engine(generated(4), t0_ms=T0_MS, tick_hz=tick_hz)
    turns: dict[int, list[int]] = {5: [], 2: []}

    def asked(turn: Callable[[int], bool]) -> list[RowEvents]:
        for turns_hz, at in turns.items():
            at += [made.k + 1] if turn(turns_hz) else []
        return []

    made.chains.turns = asked  # type: ignore[method-assign]
    for k in range(45):
        made.tick(k)
    for turns_hz, every in ((5, skin), (2, temperature)):
        assert turns[turns_hz] == [k for k in range(45) if k % every == 0]
        assert all(made.used_at(k) == k for k in turns[turns_hz])


def test_a_tick_that_is_left_out_leaves_no_turn_out() -> None:
    made = engine(4)  # 10 ticks a second: a turn of skin at even ticks
    drive = Drive(made, evening(house(3), 4).entries)
    drive.run(3.1)
    waits = made.chains.channels[Kind.SKIN].waits
    assert waits is not None
    assert waits.count.any(), "tick 31 is no turn"
    drive.k += 1  # 32 is not computed
    drive.run(0.1)
    assert not waits.count.any()


def test_nothing_waits_for_who_was_erased() -> None:
    phone = Phone(77)
    tape = evening([phone], 3.0)
    made = engine(4)
    Drive(made, tape.entries).run(3.1)
    waits = made.chains.channels[Kind.SKIN].waits
    row = made.listeners.row_of[77]
    assert waits is not None
    assert waits.count[row] > 0
    tape.control(T0_MS + 3150, phone.shard, Erase(77))
    made.ingest(tape.entries[-1:])
    made.tick(33)
    assert not any(column[row].any() for column in waits.arrays().values())

"""Ticks are merged in order: whole as soon as they are, or 100 ms after the cut; fenced; and the list says what was."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.collector import LATE_MS, MAX_AHEAD, MAX_LISTS, WAIT_MS, Collected, Collector, Lists, ListWriter
from aggregator.parts_wire import decode_part, encode_part, plan_mark
from aggregator.portions import shards_of
from aggregator.snapshot import PartSnapshot
from relay.entries import Merged
from relay.seat_plan import generated
from tests.aggregator.helper_parts import Audience

PLAN = generated(32)
AUDIENCE = Audience(PLAN, np.linspace(0.2, 0.8, 32))
OF, HZ, T0 = 3, 20.0, 1000


def part(k: int, portion: int) -> PartSnapshot:
    return AUDIENCE.part(k, tuple(shards_of(portion, OF)))


def collector(first: int = 0) -> Collector:
    return Collector(OF, first, T0, HZ)


def test_whole_as_soon_as_all_parts_are_there() -> None:
    c = collector()
    for portion in (2, 0):
        assert c.offer(portion, 1, part(0, portion))
    assert c.due(T0) == []
    assert c.offer(1, 1, part(0, 1))
    (made,) = c.due(T0)
    assert (made.k, made.missing) == (0, ())
    assert [p.shards for p in made.parts] == [tuple(shards_of(p, OF)) for p in range(OF)]


def test_without_some_100_ms_after_the_cut() -> None:
    c = collector()
    c.offer(0, 1, part(0, 0))
    c.offer(2, 1, part(0, 2))
    c.came(0, T0)
    assert c.due(T0 + WAIT_MS - 1) == []
    (made,) = c.due(T0 + WAIT_MS)
    assert made.missing == tuple(shards_of(1, OF))
    assert not c.offer(1, 1, part(0, 1))  # it came too late
    assert c.counters.parts_late == 1


def test_a_tick_that_is_whole_waits_for_the_one_before_it() -> None:
    c = collector()
    for portion in range(OF):
        c.offer(portion, 1, part(1, portion))
    c.came(0, T0)
    assert c.due(T0 + 60) == []
    assert [made.k for made in c.due(T0 + WAIT_MS)] == [0, 1]


def test_nothing_is_merged_a_second_late() -> None:
    c = collector()
    for portion in range(OF):
        c.offer(portion, 1, part(0, portion))
    made = c.due(T0 + LATE_MS)
    assert (made[0].parts, made[0].missing) == ((), tuple(range(16)))
    assert c.counters.ticks_not_merged == len(made)


def test_a_lower_token_is_refused_and_a_higher_one_replaces() -> None:
    c = collector()
    old, new = part(0, 0), part(0, 0)
    assert c.offer(0, 4, old)
    assert c.offer(0, 5, new)
    assert not c.offer(0, 4, part(1, 0))
    assert not c.offer(0, 5, part(0, 0))
    assert (c.counters.parts_fenced, c.counters.parts_repeated) == (1, 1)
    c.came(0, T0)
    (made,) = c.due(T0 + WAIT_MS)
    assert made.parts[0] is new


def test_who_comes_late_itself_gives_the_others_as_long() -> None:
    c = collector()
    assert c.due(T0 + 400) == []  # its own loop has not come to the tick: what it owns is not missing
    c.offer(0, 1, part(0, 0))
    c.came(0, T0 + 400)
    assert c.due(T0 + 400 + WAIT_MS - 1) == []
    assert c.due(T0 + 400 + WAIT_MS)[0].missing == tuple(s for p in (1, 2) for s in shards_of(p, OF))


def test_what_waits_is_bounded() -> None:
    c = collector()
    for k in range(4 * MAX_AHEAD):
        c.offer(0, 1, part(k, 0))
    assert c.waits() == MAX_AHEAD
    assert c.counters.parts_early == 3 * MAX_AHEAD


def test_linkage_is_kept_by_its_mark() -> None:
    c, plan = collector(), plan_mark(PLAN)
    first = AUDIENCE.part(0, tuple(shards_of(0, OF)))
    table = {"viola": np.ones((3, len(first.seat)), np.float32)}

    def told(k: int, mark: int, *, links: bool) -> PartSnapshot:
        made = AUDIENCE.part(k, tuple(shards_of(0, OF)))
        object.__setattr__(made, "links", table)
        raw = encode_part(made, 0, OF, plan, 9, 1, mark=mark, links=links)
        assert c.offer_told(decode_part(raw, PLAN))
        return c._ticks[k][0].part

    assert told(0, 1, links=False).links == {}
    one = told(1, 1, links=True).links
    assert one["viola"].tobytes() == table["viola"].tobytes()
    assert told(2, 1, links=False).links is one
    assert told(3, 1, links=True).links is one  # said again, not changed: the same object
    assert told(4, 2, links=False).links == {}


def collected(k: int, missing: tuple[int, ...]) -> Collected:
    return Collected(k, (), missing)


def written(writer: ListWriter) -> list[Merged]:
    made = []
    while (entry := writer.first()) is not None:
        made.append(entry)
        writer.done(entry)
    return made


def test_an_entry_where_the_list_changes() -> None:
    writer, said = ListWriter(HZ), []
    for k in range(100):
        writer.note(collected(k, (3,) if 40 <= k < 60 else ()), 7)
        said += written(writer)
    assert said == [Merged(0, (), 7), Merged(40, (3,), 7), Merged(60, (), 7)]


def test_a_new_lead_says_what_it_had_missed_before() -> None:
    writer = ListWriter(HZ)
    for k in range(1000):
        writer.note(collected(k, (3,) if k in (10, 950) else ()), None)
    assert writer.first() is None
    writer.note(collected(1000, ()), 8)
    assert [(e.k, e.missing, e.epoch) for e in written(writer)] == [(950, (3,), 8), (951, (), 8), (1000, (), 8)]
    writer.note(collected(1001, ()), None)
    writer.note(collected(1002, (1,)), None)
    assert writer.first() is None


def test_what_waits_to_be_written_is_bounded() -> None:
    writer = ListWriter(HZ)
    for k in range(3 * MAX_LISTS):
        writer.note(collected(k, (k % 2,)), 1)
    assert writer.lost == 2 * MAX_LISTS
    assert len(written(writer)) == MAX_LISTS


def test_a_reign_that_ends_while_its_entry_is_written() -> None:
    writer = ListWriter(HZ)
    writer.note(collected(0, (1,)), 5)
    under_way = writer.first()
    assert under_way is not None
    writer.note(collected(1, (1,)), None)
    writer.done(under_way)
    assert writer.first() is None
    writer.note(collected(2, ()), 6)
    waiting = writer.first()
    writer.done(under_way)
    assert writer.first() is waiting is not None


def test_an_entry_that_the_bound_dropped_while_it_was_written() -> None:
    writer = ListWriter(HZ)
    writer.note(collected(0, (0,)), 1)
    under_way = writer.first()
    assert under_way is not None
    for k in range(1, MAX_LISTS + 1):
        writer.note(collected(k, (k % 2,)), 1)
    writer.done(under_way)
    assert [entry.k for entry in written(writer)] == list(range(1, MAX_LISTS + 1))


def test_a_lead_that_says_the_same_again_under_the_same_token() -> None:
    once = [Merged(k, (k,), 7) for k in range(10)]
    lists = Lists([*once, *once[2:], Merged(12, (), 7)])
    assert [lists.missing(k) for k in range(14)] == [*((k,) for k in range(10)), (9,), (9,), (), ()]
    assert Lists([Merged(5, (1,), 7), Merged(9, (), 7), Merged(6, (2,), 7)]).missing(9) == (2,)


@given(st.lists(st.sampled_from([(), (1,), (1, 2)]), min_size=1, max_size=60))
def test_a_replay_reads_what_the_lead_merged(missing: list[tuple[int, ...]]) -> None:
    writer, said = ListWriter(HZ), []
    for k, gone in enumerate(missing):
        writer.note(collected(k, gone), 1)
        said += written(writer)
    lists = Lists(said)
    assert [lists.missing(k) for k in range(len(missing))] == missing


def test_a_woken_lead_does_not_change_the_list_of_the_next() -> None:
    lists = Lists([Merged(0, (), 1), Merged(5, (4,), 2), Merged(9, (), 2), Merged(7, (1,), 1)])
    assert [lists.missing(k) for k in (0, 4, 5, 8, 9, 20)] == [(), (), (4,), (4,), (), ()]


def test_the_next_leads_view_takes_the_place_of_the_last_ones() -> None:
    lists = Lists([Merged(0, (), 1), Merged(5, (4,), 1), Merged(3, (2,), 2)])
    assert [lists.missing(k) for k in (2, 3, 6)] == [(), (2,), (2,)]


@pytest.mark.parametrize("gone", [(), tuple(shards_of(1, OF))])
def test_a_replay_leaves_out_whole_portions(gone: tuple[int, ...]) -> None:
    made = Lists([Merged(0, gone)]).collected(3, [part(3, p) for p in range(OF)])
    assert [p.shards for p in made.parts] == [tuple(shards_of(p, OF)) for p in range(OF) if p != 1 or not gone]
    assert made.missing == gone

"""When a relay writes: a rhythm of its own at first, then in step with the cuts at which entries are used."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from aggregator import engine
from relay import flush_times
from relay.flush_times import FlushTimes

T0_MS = 1_700_000_000_123
OURS_MS = 5_000.25  # our clock's zero is so far from the bus's: house = ours + T0_MS - OURS_MS


def _house_ms(ours_ms: float) -> float:
    return ours_ms - OURS_MS + T0_MS


def _in_step(tick_hz: float, way_ms: float, every_ms: float = 20.0) -> FlushTimes:
    """After ten seconds of answers that were each stamped ``way_ms`` after they were due."""
    times = FlushTimes(every_ms)
    times.origin(T0_MS, tick_hz)
    now_ms = 7_000.0
    for _ in range(500):
        times.answered(math.floor(_house_ms(now_ms) + way_ms), now_ms)
        now_ms = times.next_ms(now_ms)
    return times


def test_the_engine_uses_entries_as_often_as_the_relay_thinks() -> None:
    assert flush_times.USES_HZ == engine.USES_HZ


@pytest.mark.parametrize("known", ["nothing", "the origin", "the clock"])
def test_without_a_cut_or_a_clock_it_is_a_plain_rhythm(known: str) -> None:
    times = FlushTimes(20.0)
    if known == "the origin":
        times.origin(T0_MS, 20.0)
    elif known == "the clock":
        times.answered(T0_MS, 0.0)
    assert times.next_ms(100.0) == 120.0


@pytest.mark.parametrize(("tick_hz", "period_ms"), [(1.0, 1000.0), (10.0, 100.0), (20.0, 100.0), (44.0, 1000 / 11)])
@pytest.mark.parametrize("way_ms", [0.3, 6.0])
def test_every_cut_has_a_write_just_before_it(tick_hz: float, period_ms: float, way_ms: float) -> None:
    times = _in_step(tick_hz, way_ms)
    now_ms, moments = 20_000.0, list[float]()
    while now_ms < 25_000.0:
        now_ms = times.next_ms(now_ms)
        moments.append(now_ms)
    gaps = [b - a for a, b in itertools.pairwise(moments)]
    assert max(gaps) <= 20.0 + 1e-6
    assert min(gaps) > 10.0
    for cut in range(math.ceil(15_100 / period_ms), math.floor(19_900 / period_ms)):
        cut_ours_ms = cut * period_ms + OURS_MS
        early_ms = min(cut_ours_ms - moment for moment in moments if moment < cut_ours_ms)
        assert way_ms < early_ms < way_ms + 3.0  # stamped before the cut; whole milliseconds cost up to one


def test_one_write_in_fifty_may_miss_its_cut() -> None:
    """Delays of a busy machine: mostly under a millisecond, now and then eight."""
    times, dice = FlushTimes(20.0), random.Random(5)
    times.origin(T0_MS, 20.0)
    now_ms, late = 7_000.0, 0
    for number in range(6_000):
        way_ms = dice.expovariate(1.0)
        to_cut_ms = (T0_MS - _house_ms(now_ms)) % 20.0
        late += number >= 1_000 and (to_cut_ms <= way_ms or to_cut_ms > 10.0)
        for _ in range(16):
            times.answered(math.floor(_house_ms(now_ms) + way_ms), now_ms)
        now_ms = times.next_ms(now_ms)
    assert late <= 5_000 * 0.04


def test_what_waits_for_a_tick_after_the_cut_does_not_move_the_writes_before_it() -> None:
    """One process: the first write after each cut waits for up to 15 ms while the tick is computed. Told of by those,
    all writes came 19 ms before the cut."""
    times, dice = FlushTimes(20.0), random.Random(7)
    times.origin(T0_MS, 20.0)
    now_ms, early = 7_000.0, []
    for number in range(6_000):
        after_ms = (_house_ms(now_ms) - T0_MS) % 100.0
        way_ms = dice.uniform(5.0, 15.0) if 5.0 < after_ms < 35.0 else dice.uniform(0.0, 1.0)
        if number >= 3_000 and after_ms > 85.0:
            early.append(100.0 - after_ms)
        for _ in range(16):
            times.answered(math.floor(_house_ms(now_ms) + way_ms), now_ms)
        now_ms = times.next_ms(now_ms)
    assert len(early) == 600
    assert sum(early) / len(early) < 5.0


def test_a_clock_that_was_set_is_followed_at_once() -> None:
    times = _in_step(20.0, 0.5)
    before = times.next_ms(30_000.0)
    times.answered(math.floor(_house_ms(30_000.0) + 3_600_007.0), 30_000.0)
    after = times.next_ms(30_000.0)
    assert (before - after) % 20.0 == pytest.approx(7.0, abs=3.0)

from __future__ import annotations

import asyncio
import time
from collections import deque
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from loadtest.conductor import Conductor
from loadtest.histogram import Histogram
from loadtest.lead import Lead, _first_broken, _latencies
from loadtest.measures import Row
from loadtest.report import Step
from loadtest.scenario import Objectives, parse

GOAL = Objectives(ack_p99_ms=2000.0, latency_p99_ms=250.0)
SERVED = np.ones(10)


@pytest.mark.parametrize(
    ("ack_s", "latencies", "served", "broke"),
    [
        (1.0, [0.05] * 20, SERVED, ""),
        (1.0, [0.05] * 20, SERVED * 0.9, "phones served"),
        (1.0, [0.05] * 20, np.empty(0), "phones served"),
        (2.5, [0.05] * 20, SERVED, "ack_p99_ms"),
        (float("nan"), [0.05] * 20, SERVED, "ack_p99_ms"),
        (1.0, [0.05] * 17 + [3.0] * 3, SERVED, "latency_p99_ms"),
        (1.0, [0.05] * 39 + [3.0], SERVED, ""),
        (1.0, [], SERVED, "latency_p99_ms"),
    ],
)
def test_what_breaks_a_step(ack_s: float, latencies: list[float], served: Any, broke: str) -> None:
    assert _first_broken(GOAL, ack_s, latencies, served) == broke


@pytest.mark.parametrize(("waits_s", "judged"), [(2.0, [0.05, 2.0]), (0.1, [0.05])])
def test_a_waking_under_way_counts_once_it_took_too_long(waits_s: float, judged: list[float]) -> None:
    heard = SimpleNamespace(latencies=[(99.0, 7.0), (100.0, 0.05)])  # the first: before the step
    engine = SimpleNamespace(settle=lambda _now: None, heard=heard, waits_s=lambda _since, _now: [waits_s])
    assert _latencies(cast(Conductor, SimpleNamespace(engine=engine)), 100.0, 0.3) == judged


class Stand:
    """A conductor whose house serves everybody up to ``limit`` phones; the generator is late from ``late_from`` on."""

    def __init__(self, limit: int, late_from: int = 10**9) -> None:
        self.limit, self.late_from, self.phones, self.stopped = limit, late_from, 0, False
        self.now_s = 0.0
        self.start_s = time.monotonic()
        self.house = SimpleNamespace(part=self._part, self_contained=True, ended=lambda: "")
        self.engine = None
        self.targets: list[int] = []
        self.measures = SimpleNamespace(rows=deque(), mark=lambda: None, step_acks=Histogram(), step_late=Histogram())

    async def _part(self, _name: str) -> bool:
        return True

    async def until(self, at_s: float) -> None:
        self.now_s = max(self.now_s, at_s)
        served = min(self.phones, self.limit)
        self.measures.rows = deque([Row(self.now_s, self.phones, served, served)] * 5)
        self.measures.step_acks = _only(0.5)
        self.measures.step_late = _only(0.2 if self.phones >= self.late_from else 0.001)
        await asyncio.sleep(0)

    def order(self, body: dict[str, Any]) -> None:
        self.phones = int(body.get("phones", self.phones))
        self.targets.append(self.phones)
        self.stopped |= body["do"] == "stop"


def _only(value: float) -> Histogram:
    made = Histogram()
    made.record([value])
    return made


SEARCH = parse(
    "phones = 5000\n[limit]\nstart = 100\nresolution = 0.05\ntries = 20\n[objectives]\nack_p99_ms = 2000.0\n", "x"
)


async def test_the_search_is_led_to_the_houses_limit() -> None:
    stand, lead = Stand(1200), Lead(SEARCH, lambda _text: None)
    await lead(cast(Conductor, stand))
    assert stand.stopped
    assert lead.found is not None
    assert lead.found.low <= 1200 / 0.98 <= lead.found.high * 1.0001
    assert 0.9 * 1200 <= lead.found.best <= 1.1 * 1200
    assert lead.steps[0] == Step(100, True)
    assert lead.steps[-1].phones
    assert lead.given_out == ""


async def test_a_limit_of_the_generator_is_not_the_houses() -> None:
    stand, lead = Stand(1200, late_from=1000), Lead(SEARCH, lambda _text: None)
    await lead(cast(Conductor, stand))
    assert "generator itself was late" in lead.given_out
    assert lead.found is None


async def test_a_house_that_ends_ends_the_search() -> None:
    stand, lead = Stand(1200), Lead(SEARCH, lambda _text: None)
    stand.house.ended = lambda: "the house ended by itself" if stand.phones >= 400 else ""
    await lead(cast(Conductor, stand))
    assert lead.given_out == "the house ended by itself"
    assert lead.found is None
    assert stand.stopped
    assert lead.steps[-1].phones < 700


async def test_a_house_that_broke_is_relieved_before_the_next_step() -> None:
    stand, lead = Stand(1200), Lead(SEARCH, lambda _text: None)
    await lead(cast(Conductor, stand))
    expected = []
    for before, step in zip([None, *lead.steps], lead.steps, strict=False):
        expected += [round(0.6 * step.phones)] if before is not None and not before.held else []
        expected.append(step.phones)
    assert stand.targets[:-1] == expected  # the last order is to stop
    assert len(expected) > len(lead.steps)


@pytest.mark.parametrize(("over_s", "least_s", "most_s"), [(20.0, 20.0, 26.0), (1e9, 30.0, 36.0)])
async def test_a_relief_lasts_until_the_house_is_over_it(over_s: float, least_s: float, most_s: float) -> None:
    """A house that once was too full stays slow for a while, with however few phones; if for ever: half a minute."""
    stand, lead = Stand(1200), Lead(SEARCH, lambda _text: None)
    broke_s, orders = -1e9, []

    async def until(at_s: float) -> None:
        nonlocal broke_s
        await Stand.until(stand, at_s)
        broke_s = stand.now_s if stand.phones > 1200 else broke_s
        if stand.now_s - broke_s < over_s:
            stand.measures.step_acks = _only(9.0)

    def order(body: dict[str, Any]) -> None:
        Stand.order(stand, body)
        orders.append((stand.now_s, stand.phones))

    stand.until, stand.order = until, order  # type: ignore[method-assign]
    await lead(cast(Conductor, stand))
    fell = [i for i in range(1, len(orders) - 1) if orders[i][1] < orders[i - 1][1] and orders[i - 1][1] > 1200]
    assert fell
    assert all(least_s <= orders[i + 1][0] - orders[i][0] <= most_s for i in fell)


@pytest.mark.parametrize(("disturbed", "held"), [(1, True), (2, False)])
async def test_a_step_that_was_disturbed_is_measured_again(disturbed: int, held: bool) -> None:
    """Acknowledgements are slow in so many measurements of 256 phones, then never again."""
    stand, lead, measured = Stand(1200), Lead(SEARCH, lambda _text: None), []

    def mark() -> None:
        measured.append(stand.phones)

    async def until(at_s: float) -> None:
        await Stand.until(stand, at_s)
        if stand.phones == 256 and measured.count(256) <= disturbed:
            stand.measures.step_acks = _only(9.0)

    stand.measures.mark, stand.until = mark, until  # type: ignore[method-assign]
    await lead(cast(Conductor, stand))
    step = next(s for s in lead.steps if s.phones == 256)
    assert step == Step(256, held, "" if held else "ack_p99_ms", "ack_p99_ms")


async def test_measuring_waits_for_the_last_phone_to_join() -> None:
    """A house that lets phones in slowly: nothing is measured while some still wait at the door."""
    stand, lead = Stand(10**6), Lead(SEARCH, lambda _text: None)
    let_in_s, wanted = 0.0, 0

    async def until(at_s: float) -> None:
        nonlocal let_in_s, wanted
        await Stand.until(stand, at_s)
        row = stand.measures.rows[-1]
        let_in_s = stand.now_s if row.wanted != wanted else let_in_s
        wanted = row.wanted
        if stand.now_s < let_in_s + 7.0:
            stand.measures.rows.append(Row(stand.now_s, row.wanted, row.wanted // 2, row.wanted // 2))

    def mark() -> None:
        assert stand.measures.rows[-1].streaming == stand.phones

    stand.measures.mark, stand.until = mark, until  # type: ignore[method-assign]
    await lead(cast(Conductor, stand))
    assert lead.found is not None
    assert lead.found.beyond


@pytest.mark.parametrize(("own", "piece_s"), [(True, 26.0), (False, 41.0)])
async def test_parts_are_moved_at_their_times(own: bool, piece_s: float) -> None:
    scenario = parse("seconds = 60.0\n[join]\nover_s = 5.0\n[house]\nrest_s = 20.0\n", "x")
    stand, moved = Stand(10), []

    async def part(name: str) -> bool:
        moved.append((name, stand.now_s))
        return True

    stand.house = SimpleNamespace(part=part, self_contained=own)
    lead = Lead(scenario, lambda _text: None)
    await lead(cast(Conductor, stand))
    assert moved == [("rest", 6.0), ("piece", piece_s)]
    assert lead.window == (piece_s + 3.0, 60.0)

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from loadtest import figures
from loadtest.bank import Bank
from loadtest.heard import Heard
from loadtest.histogram import Histogram
from loadtest.measures import Measures
from loadtest.physiology import Audience
from loadtest.scenario import load, parse

SCENARIO = parse("seconds = 80.0\nphones = 50\n[[moment]]\nonset_s = 40.0\n", "x")
START_S = 1000.0


@pytest.fixture(scope="module")
def audience() -> Audience:
    return Bank(SCENARIO, keep=1).audience


def heard(t_s: Any, arousal: Any) -> Heard:
    made = Heard()
    for t, value in zip(t_s, arousal, strict=True):
        made.house.append((START_S + float(t), float(value), 1.0, 50))
    return made


TIMES = np.arange(0.0, 80.0, 0.05)


def test_expected_is_rest_before_and_high_in_the_moment(audience: Audience) -> None:
    made = figures.expected(audience, np.array([10.0, 39.0, 50.0, 79.0]))
    assert made[0] == pytest.approx(0.5, abs=0.03)
    assert made[1] == pytest.approx(0.5, abs=0.03)
    assert made[2] > 0.7
    assert made[3] == pytest.approx(0.5, abs=0.05)


def test_a_healthy_house_has_no_error_and_a_wrong_baseline_has(audience: Audience) -> None:
    truth = figures.expected(audience, TIMES)
    assert figures.house_error(audience, heard(TIMES, truth), START_S, (20.0, 80.0)) == pytest.approx(0.0, abs=1e-9)
    low = figures.house_error(audience, heard(TIMES, truth - 0.08), START_S, (20.0, 80.0))
    assert low == pytest.approx(0.08, abs=1e-6)
    assert figures.house_error(audience, Heard(), START_S, (20.0, 80.0)) is None


def test_a_rise_in_applause_is_found() -> None:
    calm = np.full(len(TIMES), 0.5)
    fooled = np.where((TIMES > 45) & (TIMES < 50), 0.62, 0.5)
    assert figures.false_rise(heard(TIMES, calm), START_S, [(45.0, 58.0)]) == pytest.approx(0.0)
    assert figures.false_rise(heard(TIMES, fooled), START_S, [(45.0, 58.0)]) == pytest.approx(0.12)
    assert figures.false_rise(Heard(), START_S, [(45.0, 58.0)]) is None


def test_silence_counts_the_windows_ends() -> None:
    present = (TIMES < 40) | (TIMES > 43)
    made = heard(TIMES[present], np.full(int(present.sum()), 0.5))
    assert figures.silence_s(made, START_S, (30.0, 79.0)) == pytest.approx(3.05, abs=0.06)
    assert figures.silence_s(made, START_S, (30.0, 90.0)) == pytest.approx(10.05, abs=0.06)
    assert figures.silence_s(Heard(), START_S, (0.0, 9.0)) is None


def test_the_steepest_second() -> None:
    ramp = np.clip((TIMES - 40) * 0.4, 0.0, 0.4) + 0.5
    assert figures.steepest(heard(TIMES, ramp), START_S, (30.0, 60.0)) == pytest.approx(0.4, rel=0.05)


def report(**changes: Any) -> dict[str, Any]:
    counts = {"packets": 100, "acknowledged": 90, "resent": 0, "skipped": 2, "connects": 10, "connect_failures": 1,
              "cuts": 0, "own_faults": 0, "errors": {"closed": 1}}  # fmt: skip
    body: dict[str, Any] = {
        "joins": Histogram().dump(), "acks": Histogram().dump(), "late": Histogram().dump(), "woken": [],
        "wanted": 10, "streaming": 10, "followed": 10, "owed": 5, "made": 100, "sections": [5, 5], "cpu_s": 0.1,
        "wall_s": 1.0, "memory_bytes": 10_000, "empty_bytes": 4_000, "vandals": {}, "counts": counts, "final": False,
    }  # fmt: skip
    late = Histogram()
    late.record([0.001] * 100)
    return body | {"late": late.dump()} | changes


def measured(rows: list[tuple[int, int]]) -> Measures:
    """A run of which each second has (wanted, followed) phones."""
    made = Measures()
    made.begin(START_S)
    for second, (wanted, followed) in enumerate(rows):
        made.take(0, report(wanted=wanted, followed=followed))
        made.second(float(second), {"house": 0.2 * second}, {"x": 1.0 + second}, None)
    return made


def test_counts_are_totals_and_rates() -> None:
    made = measured([(10, 10)] * 3)
    found = figures.figures(SCENARIO, Bank(SCENARIO, 1).audience, made, None, (0.0, 3.0))
    assert found["connect_failures"] == pytest.approx(0.1)
    assert found["unacknowledged"] == pytest.approx(0.05)
    assert found["acknowledged_lost"] is None
    assert made.own_us_a_packet() == pytest.approx(3 * 0.1 * 1e6 / 100)
    assert made.rows[-1].house_cpu == pytest.approx(0.2)
    assert made.gained("x") == 2.0
    assert np.isnan(made.gained("y"))


def test_a_generators_processor_share_however_its_reports_fall_into_seconds() -> None:
    """This process may be held up: a second then closes late, on two reports of one generator, and the next on none."""
    made = Measures()
    made.begin(START_S)
    for second, reports in enumerate((1, 2, 0)):
        for _ in range(reports):
            made.take(0, report(cpu_s=0.1, wall_s=1.0))
            made.take(1, report(cpu_s=0.3, wall_s=1.0))
        made.second(float(second), {}, {}, None)
    made.take(1, report(cpu_s=0.3, wall_s=1.0, final=True))
    made.second(3.0, {}, {}, None)  # that one is gone
    assert [row.own_cpu for row in made.rows] == pytest.approx([0.4, 0.4, 0.4, 0.1])
    assert [row.busiest_cpu for row in made.rows] == pytest.approx([0.3, 0.3, 0.3, 0.1])


def test_acknowledged_but_never_taken_is_a_loss() -> None:
    made = measured([(10, 10)])
    made.first_metrics, made.metrics = {}, {figures.ENGINE_PACKETS: 80.0}
    assert figures.acknowledged_lost(made) == 8.0
    made.metrics = {figures.ENGINE_PACKETS: 95.0}
    assert figures.acknowledged_lost(made) == 0.0


def test_recovery_is_counted_from_the_disruptions_end() -> None:
    rows = [(10, 10)] * 5 + [(8, 8)] * 3 + [(10, 6), (10, 8), (10, 10), (10, 10)]
    assert measured(rows).recoveries_s([(5.0, 8.0)]) == [2.0]
    assert measured(rows[:9]).recoveries_s([(5.0, 8.0)]) == [float("inf")]
    assert measured(rows).recoveries_s([]) == []


def test_a_starved_generator_is_named() -> None:
    assert measured([(10, 10)] * 6).void_reasons() == []
    late = Histogram()
    late.record([0.2] * 10)
    starved = Measures()
    starved.take(0, report(late=late.dump()))
    assert "200 ms late" in starved.void_reasons()[0]
    busy = Measures()
    for second in range(6):
        busy.take(0, report(cpu_s=0.97))
        busy.second(float(second), {}, {}, None)
    assert "90 % of a core" in busy.void_reasons()[0]
    counts = report()["counts"] | {"own_faults": 3}
    poor = Measures()
    poor.take(0, report(counts=counts))
    assert "3 connections failed for want" in poor.void_reasons()[0]
    assert Measures().void_reasons() == ["the generator sent nothing"]


def test_coverage_is_the_worst_section() -> None:
    made = Measures()
    for t in (10.0, 11.0):
        made.coverage.append((t, np.array([10.0, 10.0]), np.array([10.0, 3.0])))
    assert figures.coverage(made) == pytest.approx(0.3)
    assert figures.coverage(Measures()) is None


def test_disruptions_of_the_built_in_scenarios_are_judged() -> None:
    for name in ("access-point", "interval", "restart"):
        assert load(name).objectives.recovery_s == 10.0

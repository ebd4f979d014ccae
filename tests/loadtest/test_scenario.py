from __future__ import annotations

import dataclasses

import pytest

from loadtest.reading import SettingsProblems, describe, read
from loadtest.scenario import BUILT_IN, Scenario, load, names, parse

NEEDED = {
    "doors", "steady", "interval", "access-point", "bad-air", "crescendo", "applause", "dancing", "phones-dying",
    "phones-dying-short",
    "restart", "clock-chaos", "vandal", "limit",
}  # fmt: skip


def test_every_needed_scenario_is_built_in() -> None:
    assert set(names()) == NEEDED


@pytest.mark.parametrize("name", sorted(NEEDED))
def test_built_in_scenarios_are_valid_and_judge_something(name: str) -> None:
    made = load(name)
    assert made.title
    assert made.about
    assert any(value is not None for value in dataclasses.asdict(made.objectives).values())
    made.programme()
    made.people()


def test_options_replace_settings() -> None:
    made = load("steady", phones=7, seconds=9.0, seed=None)
    assert (made.phones, made.seconds, made.seed) == (7, 9.0, 1)


def test_all_errors_are_reported_at_once() -> None:
    text = """
phones = 0
colour = "red"
[join]
over_s = "soon"
[air]
drop_share = 1.5
[[disruption]]
kind = "meteor"
away_s = [1.0]
[objectives]
joy = 1
"""
    with pytest.raises(SettingsProblems) as caught:
        parse(text, "mine")
    problems = "\n".join(caught.value.problems)
    assert len(caught.value.problems) == 7
    for part in ("phones: found 0", "colour: unknown key", "join.over_s: found 'soon'", "air.drop_share: found 1.5",
                 "disruption[0].kind: found 'meteor', allowed cut, sleep, die", "disruption[0].away_s: found 1 values",
                 "objectives.joy: unknown key"):  # fmt: skip
        assert part in problems
    assert all(p.startswith("scenario mine: ") for p in caught.value.problems)


def test_a_missing_file_names_the_built_in_ones() -> None:
    with pytest.raises(SettingsProblems, match="steady"):
        load("nowhere")
    with pytest.raises(SettingsProblems, match="scenario x"):
        parse("phones = = 1", "x")


def test_tables_of_the_wrong_kind_are_errors() -> None:
    with pytest.raises(SettingsProblems, match="join: found 3, allowed a table"):
        parse("join = 3", "x")
    with pytest.raises(SettingsProblems, match="disruption: found"):
        parse("disruption = 3", "x")


def test_a_scenario_survives_the_wire_to_a_generator() -> None:
    from loadtest.conductor import _table

    made = load("vandal", phones=30)
    assert read(Scenario, _table(dataclasses.asdict(made))) == made


def test_the_document_tells_every_key() -> None:
    text = (BUILT_IN.parent / "SCENARIOS.md").read_text()
    for key, default, allowed, what in describe(Scenario):
        assert f"| `{key}` | {default} | {allowed} | {what} |" in text
        assert what

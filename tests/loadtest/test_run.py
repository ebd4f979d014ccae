from __future__ import annotations

import argparse
import io
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from loadtest import house, run, scenario
from loadtest.conductor import Conductor
from loadtest.house import HouseError, parse_metrics, process_cpu_s, read_cards
from loadtest.lead import Lead
from loadtest.progress import Progress
from loadtest.report import CUT_SHORT, Step
from loadtest.verdict import Outcome
from tests.loadtest.test_figures import measured

CARDS = """\
seat,section,label,role,token
1,stalls,A1,audience,T1
2,stalls,A2,audience,T2
3,circle,B1,audience,T3
1,,,performer,P
"""


def code(*argv: str) -> int:
    return run.main(list(argv), ["false"])


def test_the_built_in_scenarios_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert code("--list") == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in scenario.names())


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (("nowhere", "--self-contained"), "built in are"),
        (("steady", "--phones", "0", "--self-contained"), "phones: found 0"),
        (("steady",), "--self-contained"),
        (("steady", "--url", "ws://127.0.0.1:1/phone", "--cards", "missing.csv"), "ripieno seats --out"),
        (("steady", "--join", "nonsense"), "HOST:PORT"),
        (("steady", "--self-contained"), "seat cards could not be made"),
    ],
)
def test_wrong_use_is_one_sentence_and_code_2(
    argv: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert code(*argv) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said


def test_cards_are_read_and_spread_over_the_house(tmp_path: Path) -> None:
    (tmp_path / "cards.csv").write_text(CARDS)
    cards = read_cards(tmp_path / "cards.csv")
    assert (cards.seats, cards.tokens, cards.sections, cards.section_of) == (
        (1, 2, 3), ("T1", "T2", "T3"), ("stalls", "circle"), (0, 0, 1),
    )  # fmt: skip
    assert cards.first(2).seats == (1, 2)
    assert cards.first(1).section_of == (0,)
    with pytest.raises(HouseError, match="found 3 seat cards, needed 4"):
        cards.first(4)
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    assert read_cards(tmp_path / "other.csv").seats == ()
    (tmp_path / "broken.csv").write_text("seat,role\nx,audience\n")
    with pytest.raises(HouseError, match="no file of seat cards"):
        read_cards(tmp_path / "broken.csv")


def test_metrics_text_is_read() -> None:
    text = '# HELP x y\nripieno_a 3\nripieno_b{kind="packets"} 1.5e3\nbroken\n'
    assert parse_metrics(text) == {"ripieno_a": 3.0, 'ripieno_b{kind="packets"}': 1500.0}


def test_cpu_of_a_process_that_is_not_there() -> None:
    assert process_cpu_s(2**22 + 1) is None


async def test_a_house_that_cannot_be_asked_says_nothing() -> None:
    nobody = house.House("ws://127.0.0.1:1/phone", house.Cards((), (), (), ()), page_url="http://127.0.0.1:1",
                         operator_token="x", metrics_urls=("http://127.0.0.1:1/metrics",))  # fmt: skip
    assert not await nobody.part("rest")
    assert await nobody.metrics() == {}
    with pytest.raises(HouseError):
        await nobody.restart()


def test_progress_is_plain_lines_where_there_is_no_terminal() -> None:
    out = io.StringIO()
    with Progress(scenario.load("steady"), out) as progress:
        progress.show(measured([]))
        progress.show(measured([(10, 9)]))
        progress.say("a [word] in brackets")
    lines = out.getvalue().splitlines()
    assert "phones 10/10" in lines[0]
    assert "served 9" in lines[0]
    assert lines[1] == "a [word] in brackets"


def test_a_search_cut_short_is_void_not_green() -> None:
    chosen = scenario.load("limit", phones=500)
    conductor = SimpleNamespace(measures=measured([(400, 400)] * 9), engine=None, cut_short=True)
    lead = Lead(chosen, lambda _text: None)
    lead.steps.append(Step(400, True))
    made = run.judged(chosen, cast(Conductor, conductor), lead)
    assert made.outcome is Outcome.VOID
    assert made.void == [CUT_SHORT]


def test_options_have_help() -> None:
    parser = argparse.ArgumentParser()
    run.options(parser)
    assert all(action.help for action in parser._actions)

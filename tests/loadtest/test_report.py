from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest

from loadtest import report
from loadtest.bank import Bank
from loadtest.limit import Found
from loadtest.pictures import Line, Shade, picture
from loadtest.report import CUT_SHORT, Finding, Step
from loadtest.scenario import load
from loadtest.verdict import Judgement, Outcome, headroom
from tests.loadtest.test_figures import TIMES, heard, measured


def finding(**changes: object) -> Finding:
    scenario = load("steady", phones=20)
    judgements = [
        Judgement("ack_p99_ms", "99 of 100 <packets>", 1200.0, 2000.0, True),
        Judgement("house_error", "distance", None, 0.05, False),
    ]
    made = Finding(
        scenario, Outcome.RED, judgements, [], {"ack_p99_ms": 1200.0, "house_error": float("nan")},
        measured([(10, 10)] * 20), Bank(scenario, 1).audience, heard(TIMES, 0.5 + 0 * TIMES), (20.0, 80.0),
        headroom=headroom(np.full(30, 100.0), np.full(30, 0.2)), when="then", machine="here",
    )  # fmt: skip
    for name, value in changes.items():
        setattr(made, name, value)
    return made


class Checker(HTMLParser):
    """Collects what would be loaded from elsewhere, and checks that tags close."""

    VOID = ("meta", "line", "rect", "path", "circle", "br", "!doctype")

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.loads += [str(v) for k, v in attrs if k in ("src", "href", "srcset", "data") or "url(" in str(v)]
        if tag in ("script", "link", "iframe", "img"):
            self.loads.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag


def test_the_page_is_whole_and_loads_nothing() -> None:
    page = report.as_html(finding())
    checker = Checker()
    checker.feed(page)
    assert checker.open == []
    assert checker.loads == []
    assert "http" not in page
    assert "&lt;packets&gt;" in page
    for word in ("Does not hold: 1 of 2 objectives broke", "nothing was measured", "would fit", "Percentiles"):
        assert word in page


def test_every_picture_is_well_formed() -> None:
    page = report.as_html(finding())
    pictures = re.findall(r"<svg viewBox.*?</svg>", page, flags=re.DOTALL)
    assert len(pictures) >= 5
    for one in pictures:
        ElementTree.fromstring(one.replace('class="', 'data-class="'))


def test_the_figures_beside_it_are_json() -> None:
    body = json.loads(report.as_json(finding()))
    assert (body["verdict"], body["exit_code"]) == ("red", 1)
    assert body["figures"] == {"ack_p99_ms": 1200.0, "house_error": None}
    assert body["objectives"][0]["passed"] is True
    assert body["generator"]["cpu_us_a_packet"] > 0
    assert len(body["seconds"]) == 20


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"outcome": Outcome.VOID, "void": ["the generator was late"]}, "Void: the test measured itself"),
        ({"outcome": Outcome.GREEN, "judgements": []}, "Holds: all 0 objectives"),
        ({"cut_short": True}, "cut short"),
        ({"cut_short": True, "outcome": Outcome.VOID, "void": [CUT_SHORT]}, "Void: the run was cut short before"),
        ({"limit": Found(954, 912, 1012), "steps": [Step(900, True), Step(1000, False, "ack_p99_ms")]},
         "The limit is about 950 phones, between 910 and 1,000 (90 %): above it acknowledgements came too late."),
        ({"limit": Found(900, 900, 900, beyond=True)}, "Holds all 900 phones that were tried"),
    ],
)  # fmt: skip
def test_headlines(changes: dict[str, object], words: str) -> None:
    assert words in report.headline(finding(**changes))
    assert words in report.as_html(finding(**changes))


def test_the_report_of_a_search_says_what_to_plan_for_and_shows_its_steps() -> None:
    steps = [Step(400, True), Step(1000, False, "latency_p99_ms", "ack_p99_ms")]
    page = report.as_html(finding(scenario=load("limit"), judgements=[], limit=Found(954, 912, 1012), steps=steps))
    checker = Checker()
    checker.feed(page)
    assert checker.open == []
    for words in ("Plan for at most 910 phones", "within 300 ms", "packets reached the show engine too late"):
        assert words in page
    search = re.search(r"The search: phones of each step</figcaption>(<svg.*?</svg>)", page)
    assert search is not None
    shape = ElementTree.fromstring(search[1])
    assert len(shape.findall("circle")) == 1
    assert len(shape.findall("path")) == 1


def test_abbreviations_keep_their_capitals() -> None:
    assert "CPU was" in report.as_html(finding(outcome=Outcome.VOID, void=["our CPU was full"]))


def test_memory_is_what_phones_added() -> None:
    """10,000 bytes in all, 4,000 of them before there was a phone, for 10 phones (tests.loadtest.test_figures)."""
    assert measured([(10, 10)] * 3).memory_a_phone_bytes() == 600.0


def test_a_picture_keeps_peaks_and_breaks_at_gaps() -> None:
    x = np.arange(10_000.0)
    y = np.zeros(10_000)
    y[5003] = 50.0
    y[7000:8000] = np.nan
    made = picture("p", "ms", [Line("a", x, y)], shades=[Shade(10, 20, "x")], limit=40.0)
    points = re.search(r'd="([^"]+)"', made)
    assert points is not None
    assert points[1].count("M") == 2
    heights = [float(p.split()[1]) for p in re.split("[ML]", points[1])[1:]]
    assert min(heights) < 30.0
    assert "nothing was measured" in picture("p", "ms", [Line("a", x, np.full(10_000, np.nan))])

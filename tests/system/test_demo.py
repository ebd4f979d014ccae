"""The demo as a technician runs it: one command, a page, a show engine that sees the house move."""

from __future__ import annotations

import itertools
import json
import re
import urllib.request
from pathlib import Path

import pytest

from tests.system.helper_receiver import ShowEngine, free_port, log_of, ripieno, show_engine, until

ONSET_S = 28.0
RISE = 0.15  # issue: at least this much from the mean of the 4 s before to the maximum within 8 s of the onset
SLEW_PER_S = 0.5  # contract 11


@pytest.mark.slow
@pytest.mark.timeout(150)
def test_demo_headless(tmp_path: Path) -> None:
    port = free_port()
    with show_engine() as engine:
        words = ["demo", "--headless", "--listeners", "200", "--seconds", "60"]
        with ripieno(*words, "--osc", f"127.0.0.1:{engine.port}", "--port", str(port), folder=tmp_path) as process:
            until(lambda: "the programme begins" in log_of(process), 60, "the programme")
            page = urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5).read().decode()
            state = json.loads(urllib.request.urlopen(f"http://127.0.0.1:{port}/api/state", timeout=5).read())
            out, _ = process.communicate(timeout=120)
            assert process.returncode == 0, log_of(process)
        the_house_moved(engine, out)
        nothing_jumped(engine)
        every_seat_was_told(engine, 200)
    assert "<title>" in page
    assert "shortened" in json.dumps(state)


def the_house_moved(engine: ShowEngine, out: str) -> None:
    """Measured at the receiver; the summary prints the same."""
    parts = engine.of("/part")
    rest = next(m.at_s for m in parts if m.arguments[0] == "rest")
    house = [(m.at_s - rest, m.arguments[0]) for m in engine.of("/house/arousal")]
    before = [a for t, a in house if ONSET_S - 4 <= t < ONSET_S]
    peak = max(a for t, a in house if ONSET_S <= t <= ONSET_S + 8)
    calm = [a for t, a in house if t > 56]
    assert peak - sum(before) / len(before) >= RISE
    assert sum(calm) / len(calm) < peak - RISE / 2
    found = re.search(r"\(\+([0-9.]+)\)", out)
    assert found is not None
    assert float(found[1]) == pytest.approx(peak - sum(before) / len(before), abs=0.03)


def nothing_jumped(engine: ShowEngine) -> None:
    """The house's value moves by at most 0.5 a second by its own time stamps; sequence and epoch never fall."""
    ticks = [m.arguments for m in engine.of("/tick")]
    assert all(b[:2] >= a[:2] for a, b in itertools.pairwise(ticks))
    values = [m.arguments[0] for m in engine.of("/house/arousal")]
    assert max(abs(b - a) for a, b in itertools.pairwise(values)) <= SLEW_PER_S / 20 + 1e-6


def every_seat_was_told(engine: ShowEngine, seats: int) -> None:
    end = next(m.at_s for m in engine.of("/part") if m.arguments[0] == "rest") + 58  # before the goodbyes
    arousal = engine.seats("/seats/arousal", seats)
    assert all(v is not None and 0.0 <= v <= 1.0 for v in arousal)
    assert sum(s == 3 for s in engine.seats("/seats/state", seats, until_s=end)) > 0.8 * seats


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["demo", "--listeners", "0"], "--listeners: found 0"),
        (["demo", "--osc", "nowhere"], "HOST:PORT"),
        (["demo", "--seconds", "1"], "--seconds: found 1"),
        (["serve", "--settings", "none.toml"], "cannot be read"),
        (["serve", "--tick-hz", "99"], "engine.tick_hz: found 99"),
        (["analyse", "none.csv", "--rate", "50", "--ppg", "a"], "cannot be read"),
    ],
)
def test_wrong_use_is_one_sentence(tmp_path: Path, words: list[str], said: str) -> None:
    with ripieno(*words, folder=tmp_path) as process:
        process.communicate(timeout=60)
        text = log_of(process)
        assert process.returncode == 2
        assert said in text
        assert "Traceback" not in text
        assert len(text.splitlines()) == 1


def test_port_in_use(tmp_path: Path) -> None:
    with show_engine(), ripieno("serve", "--port", "0", "--phone-port", "0", folder=tmp_path) as first:
        until(lambda: "page " in log_of(first), 30, "the first house")
        found = re.search(r"page +http://127.0.0.1:(\d+)/", log_of(first))
        assert found is not None
        with ripieno(
            "serve", "--port", found[1], "--checkpoint", "other", "--phone-port", "0", folder=tmp_path
        ) as second:
            second.communicate(timeout=60)
            assert second.returncode == 2
            assert found[1] in log_of(second)
            assert "Traceback" not in log_of(second)

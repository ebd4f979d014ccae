"""The training evening as the crew runs it: a real house, real phones that fall silent, a terminal that tells after."""

from __future__ import annotations

import json
import urllib.request
from pathlib import Path

import pytest

from tests.system.helper_receiver import free_port, log_of, ripieno, until


@pytest.mark.slow
@pytest.mark.timeout(150)
def test_headless_training(tmp_path: Path) -> None:
    port = free_port()
    words = ["demo", "--faults", "--headless", "--window", "3", "--listeners", "60", "--seed", "5"]
    with ripieno(*words, "--port", str(port), folder=tmp_path) as process:
        until(lambda: log_of(process).count("What to do:") >= 4, 110, "four faults told")
        page = json.loads(urllib.request.urlopen(f"http://127.0.0.1:{port}/api/state", timeout=5).read())
        out, _ = process.communicate(timeout=60)
        assert process.returncode == 0, log_of(process)
    assert "0 of 5 faults noticed" in out
    assert out.count("not noticed") == 5
    labels = [text for _, kind, text in page["labels"] if kind == "marker" and text.startswith("training: ")]
    assert len(labels) >= 3
    assert any(n.startswith("Training, over: ") for n in page["now"]["notices"])
    told = [line for line in log_of(process).splitlines() if "The page showed: counted" in line]
    assert len(told) == 5
    assert any("silent seats (held, fading, lost or absent) 0 rising to" in line for line in told)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--faults", "--seconds", "60"], "--seconds does not go with --faults"),
        (["--faults", "--window", "1"], "--window: found 1"),
    ],
)
def test_wrong_use(tmp_path: Path, words: list[str], said: str) -> None:
    with ripieno("demo", *words, folder=tmp_path) as process:
        process.communicate(timeout=30)
    assert process.returncode == 2
    assert said in log_of(process)

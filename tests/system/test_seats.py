"""``ripieno seats``: what it refuses in a sentence, and who may read what it writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.command import main


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--generation", "1024"], "--generation: found 1024, allowed 0..1023"),
        (["--generation", "-1"], "--generation: found -1, allowed 0..1023"),
        (["--role", "performer", "--count", "0"], "--count: found 0, allowed 1.."),
        (["--role", "test", "--count", "2000000"], "--count: found 2000000, allowed 1.."),
    ],
)
def test_numbers_out_of_range_are_refused_in_a_sentence(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["seats", *words]) == 2
    assert said in capsys.readouterr().err


def test_tokens_are_for_their_owner_alone(tmp_path: Path) -> None:
    assert main(["seats", "--out", "tokens.csv"]) == 0
    file = tmp_path / "tokens.csv"
    assert file.stat().st_mode & 0o077 == 0
    assert len(file.read_text().splitlines()) == 201


def test_to_the_screen_of_a_container(capfd: pytest.CaptureFixture[str]) -> None:
    """compose.yaml's own line writes to /dev/stdout."""
    assert main(["seats", "--out", "/dev/stdout"]) == 0
    assert capfd.readouterr().out.startswith("seat,section,label,role,token")

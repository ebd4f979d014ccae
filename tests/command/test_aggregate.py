"""What `ripieno aggregate` refuses before it starts anything, each with a sentence and exit code 2."""

from __future__ import annotations

import pytest

from aggregator.command import main
from aggregator.parts_wire import MAX_NAME

BUS = ["aggregate", "--bus", "redis://127.0.0.1:1"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["aggregate"], "needs a bus of its own"),
        ([*BUS, "--checkpoints", ""], "needs a checkpoint folder"),
        ([*BUS, "--checkpoints", "kept", "--name", "x" * (MAX_NAME + 1)], "--name: found 201 bytes"),
        ([*BUS, "--checkpoints", "kept", "--name", "é" * MAX_NAME], "--name: found 400 bytes"),
        ([*BUS, "--checkpoints", "kept", "--name", "a/b"], "no /"),
        ([*BUS, "--checkpoints", "kept", "--owners", "17"], "owners"),
    ],
)
def test_what_it_refuses(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    monkeypatch.chdir(str(tmp_path))
    assert main(words) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error

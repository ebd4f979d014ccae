"""The committed fuzzing corpus, replayed without the fuzzer; and the corpus reaches what it is for."""

from __future__ import annotations

from pathlib import Path

import pytest

import tests.fuzz
from relay.session_table import State
from relay.wire import Refusal, refusals
from tests.fuzz import fuzz_session, fuzz_wire

CORPUS = Path(tests.fuzz.__file__).parent / "corpus"


def inputs(name: str) -> list[Path]:
    return sorted((CORPUS / name).iterdir())


@pytest.mark.parametrize("path", inputs("wire"), ids=lambda path: path.name)
def test_wire(path: Path) -> None:
    fuzz_wire.one_input(path.read_bytes())


@pytest.mark.parametrize("path", inputs("session"), ids=lambda path: path.name)
def test_session(path: Path) -> None:
    fuzz_session.one_input(path.read_bytes())


def test_the_wire_corpus_has_good_packets_and_every_refusal() -> None:
    assert set(refusals([path.read_bytes() for path in inputs("wire")])) == {None, *Refusal}


def test_the_session_corpus_reaches_every_state(monkeypatch: pytest.MonkeyPatch) -> None:
    reached = set()

    class Watched(fuzz_session.Conversation):
        def step(self, kind: bytes, body: bytes) -> None:
            super().step(kind, body)
            reached.add(self.session.state)

    monkeypatch.setattr(fuzz_session, "Conversation", Watched)
    for path in inputs("session"):
        fuzz_session.one_input(path.read_bytes())
    assert reached == set(State)

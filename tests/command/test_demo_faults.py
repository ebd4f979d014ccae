"""The training's shell under a hand-turned clock: nothing is told before it was noticed, or its window is over."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from aggregator.command import demo_faults
from aggregator.command.demo_faults import Keys, Lesson
from aggregator.snapshot import SeatState, Snapshot
from loadtest.training import plan
from relay.seat_plan import generated
from tests.aggregator.helper_outputs import estimate, snapshot

HALL = generated(60)
STEP_S = 1.0


@dataclass
class Evening:
    """A house and a swarm of which the training sees only what it uses; time passes when it pauses."""

    now_s: float = 0.0
    part: str = "piece"
    out_of_reach: frozenset[int] = frozenset()
    marks: list[tuple[float, str]] = field(default_factory=list)
    notices: tuple[str, ...] = ("Demonstration",)
    on_snapshot: list[Callable[[Snapshot], None]] = field(default_factory=list)
    script: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.service = SimpleNamespace(on_snapshot=self.on_snapshot)
        self.around = SimpleNamespace(notices=self.notices)
        self.keys = Keys()

    @property
    def inner(self) -> Evening:
        return self

    @property
    def elapsed_s(self) -> float:
        return self.now_s

    async def mark(self, label: str) -> None:
        self.marks.append((self.now_s, label))

    async def set_part(self, name: str) -> None:
        self.part = name

    async def pause(self) -> None:
        self.now_s += STEP_S
        while self.script and self.script[0][0] <= self.now_s:
            self.script.pop(0)[1]()
        for see in self.on_snapshot:
            see(self.shot())
        await asyncio.sleep(0)

    def shot(self) -> Snapshot:
        away = list(self.out_of_reach)
        base = snapshot(HALL, 1, house=estimate(0.5, confidence=0.8, counted=60 - len(away)))
        state = np.full(60, SeatState.FOLLOWING, np.uint8)
        state[away] = SeatState.HELD
        return replace(base, part=self.part, state=state)


def lesson(evening: Evening) -> Lesson:
    house: Any = evening
    return Lesson(plan(HALL, 4, 30.0), house, house, evening.keys, pause=evening.pause)


async def test_nobody_notices(capsys: pytest.CaptureFixture[str]) -> None:
    evening = Evening()
    made = lesson(evening)
    await made.run()
    assert [o.after_s for o in made.outcomes] == [None] * 5
    for fault, (at_s, label) in zip(made.plan.faults, evening.marks, strict=True):
        assert at_s >= fault.start_s + fault.window_s, "told before its window was over"
        assert label == f"training: {fault.kind.key}, not noticed"
    assert evening.out_of_reach == frozenset()
    assert evening.on_snapshot == []
    said = capsys.readouterr().err
    assert said.count("What to do:") == 5
    assert "counted 60 falling to" in said
    made.summary()
    assert "0 of 5 faults noticed" in capsys.readouterr().out


async def test_a_key_ends_the_fault_and_then_it_is_told() -> None:
    evening = Evening()
    made = lesson(evening)
    first = made.plan.faults[0]
    evening.script = [(first.start_s + 7.0, lambda: evening.keys.lines.append(first.kind.key))]
    await made.run()
    outcome = made.outcomes[0]
    assert outcome.after_s == pytest.approx(7.0, abs=2 * STEP_S)
    assert outcome.guessed is True
    assert evening.marks[0][0] < first.start_s + first.window_s
    assert any("Training, over" in n and made.plan.faults[-1].told in n for n in evening.notices)
    assert evening.notices[0] == "Demonstration"
    assert len(evening.notices) <= 4, "the page must not fill up"


async def test_a_key_without_a_fault_is_a_false_alarm() -> None:
    evening = Evening(script=[])
    made = lesson(evening)
    evening.script = [(5.0, lambda: evening.keys.lines.append(""))]
    await made.run()
    assert made.false_alarms == 1
    assert made.outcomes[0].after_s is None


@pytest.mark.parametrize("key", ["alarm", "interval"])
async def test_closing_the_outputs_is_noticing(key: str) -> None:
    evening = Evening()
    made = lesson(evening)
    which = next(n for n, f in enumerate(made.plan.faults) if f.kind.key == key)
    start_s = made.plan.faults[which].start_s

    def close() -> None:
        evening.part = "interval"

    evening.script = [(start_s + 4.0, close)]
    await made.run()
    outcome = made.outcomes[which]
    assert outcome.after_s == pytest.approx(4.0, abs=2 * STEP_S)
    assert "outputs closed" in outcome.how
    assert evening.part == "piece", "the training goes on with the piece"


async def test_typed_lines_arrive_and_the_end_is_survived(monkeypatch: pytest.MonkeyPatch) -> None:
    end, other = os.pipe()
    with os.fdopen(end) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        with demo_faults.keyboard(used=True) as keys:
            os.write(other, b"a row\n\nhal")
            while len(keys.lines) < 2:  # noqa: ASYNC110 - what arrives is a pipe's, not ours to signal
                await asyncio.sleep(0)
            assert (keys.take(), keys.take(), keys.take()) == ("a row", "", None)
            os.write(other, b"f\n")
            os.close(other)
            while not keys.lines:  # noqa: ASYNC110
                await asyncio.sleep(0)
            assert keys.take() == "half"


async def test_no_keyboard_when_headless() -> None:
    with demo_faults.keyboard(used=False) as keys:
        assert keys.take() is None

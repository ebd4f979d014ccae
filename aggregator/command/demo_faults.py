"""``ripieno demo --faults``: the training evening for the crew. Plants what ``loadtest.training`` planned, waits for
the crew, and tells each fault only after it was noticed, or was not. Shell."""

from __future__ import annotations

import asyncio
import contextlib
import os
import stat
import sys
from collections import deque
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from aggregator.command import common
from aggregator.command.house import House
from aggregator.snapshot import SeatState, Snapshot
from loadtest import training
from loadtest.swarm import Swarm
from loadtest.training import Fault, Outcome, Training
from relay.parts import PARTS

STEP_S = 0.1  # how often phones leave, keys are looked at
NOTICES_KEPT = 3
LINE_BYTES = 200  # of a typed guess
SILENT = (SeatState.HELD, SeatState.FADING, SeatState.LOST, SeatState.ABSENT)


@dataclass
class Keys:
    """Lines typed at the terminal, as they come; nothing where the input is no terminal and no pipe."""

    lines: deque[str] = field(default_factory=lambda: deque(maxlen=16))
    _rest: bytes = b""

    def take(self) -> str | None:
        """The oldest line not yet looked at."""
        return self.lines.popleft() if self.lines else None

    def read(self, stop: Callable[[], object]) -> None:
        """Called when there is something to read; ``stop`` at its end."""
        raw = os.read(sys.stdin.fileno(), 4096)
        if not raw:
            stop()
            return
        *whole, self._rest = (self._rest + raw).split(b"\n")
        self._rest = self._rest[-LINE_BYTES:]
        self.lines.extend(line[:LINE_BYTES].decode(errors="replace") for line in whole)


@contextlib.contextmanager
def keyboard(*, used: bool) -> Iterator[Keys]:
    """Listen to the terminal, without a thread that could not be ended."""
    keys, loop = Keys(), asyncio.get_running_loop()
    number = _readable() if used else None
    if number is None:
        yield keys
        return
    loop.add_reader(number, keys.read, lambda: loop.remove_reader(number))
    try:
        yield keys
    finally:
        loop.remove_reader(number)


def _readable() -> int | None:
    """The input's number where it can be waited for: a terminal, a pipe or a socket."""
    try:
        number = sys.stdin.fileno()
        mode = os.fstat(number).st_mode
    except (OSError, ValueError, AttributeError):
        return None
    return number if sys.stdin.isatty() or stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) else None


@dataclass
class Watch:
    """What the page shows of one fault: seats and counts before it and at its deepest."""

    before: Snapshot | None = None
    last: Snapshot | None = None
    fewest: int = 0
    silent: int = 0
    confidence: float = 1.0
    parts: set[str] = field(default_factory=set)

    def see(self, snapshot: Snapshot) -> None:
        """Called with each snapshot."""
        self.last = snapshot
        self.parts.add(snapshot.part)
        self.fewest = min(self.fewest, snapshot.house.counted)
        self.silent = max(self.silent, _silent(snapshot))
        self.confidence = min(self.confidence, snapshot.house.confidence)

    def begin(self) -> None:
        """A fault begins now."""
        self.before = self.last
        if self.last is not None:
            self.fewest, self.silent = self.last.house.counted, _silent(self.last)
            self.confidence, self.parts = self.last.house.confidence, {self.last.part}

    def told(self) -> str:
        """In the page's own words."""
        if self.before is None or self.last is None:
            return ""
        if self.fewest >= self.before.house.counted and self.silent <= _silent(self.before):
            return "nothing yet; a seat turns hollow (held) once it has been silent for a moment"
        said = [
            f"counted {self.before.house.counted} falling to {self.fewest}",
            f"silent seats (held, fading, lost or absent) {_silent(self.before)} rising to {self.silent}",
            f"confidence {self.before.house.confidence:.2f} down to {self.confidence:.2f}",
        ]
        worst = self._section()
        return "; ".join(said + ([worst] if worst else []))

    def _section(self) -> str:
        """The section that lost the largest share, where one stands out at the end of the fault."""
        assert self.before is not None
        assert self.last is not None
        falls = [
            ((a.counted - b.counted) / a.counted, name, a.counted, b.counted)
            for (name, a), (_, b) in zip(self.before.sections, self.last.sections, strict=True)
            if a.counted
        ]
        fall, name, was, now = max(falls, default=(0.0, "", 0, 0))
        return f"section {name} from {was} to {now} counted" if fall > 0.0 else ""


def _silent(snapshot: Snapshot) -> int:
    return int(np.isin(snapshot.state, SILENT).sum())


@dataclass
class Lesson:
    """One training on a running demo: ``await run()`` beside the programme."""

    plan: Training
    house: House
    swarm: Swarm
    keys: Keys
    outcomes: list[Outcome] = field(default_factory=list)
    false_alarms: int = 0
    watch: Watch = field(default_factory=Watch)
    pause: Callable[[], Awaitable[None]] = field(default=lambda: asyncio.sleep(STEP_S))

    async def run(self) -> None:
        """Plant each fault at its time; wait for the crew; tell."""
        on_snapshot = self.house.inner.service.on_snapshot
        on_snapshot.append(self.watch.see)
        try:
            for fault in self.plan.faults:
                await self._quiet(fault.start_s)
                await self._one(fault)
        finally:
            self.swarm.out_of_reach = frozenset()
            on_snapshot.remove(self.watch.see)

    async def _quiet(self, until_s: float) -> None:
        """Nothing is planted: a key pressed now is a false alarm."""
        while self.swarm.elapsed_s < until_s:
            if self.keys.take() is not None:
                self.false_alarms += 1
                common.say("ripieno: noted. Nothing was planted at this moment")
            await self.pause()

    async def _one(self, fault: Fault) -> None:
        self.watch.begin()
        begun_s = self.swarm.elapsed_s
        outcome = None
        while outcome is None:
            since_s = self.swarm.elapsed_s - begun_s
            self.swarm.out_of_reach = fault.away(since_s)
            outcome = self._noticed(fault, since_s)
            await self.pause()
        self.swarm.out_of_reach = frozenset()
        self.outcomes.append(outcome)
        await self._tell(outcome)

    def _noticed(self, fault: Fault, since_s: float) -> Outcome | None:
        """The outcome once there is one: a key, the right part on the page, or the end of the window."""
        line = self.keys.take()
        if line is not None:
            return Outcome(fault, since_s, "you pressed Enter", line, self.watch.told())
        last = self.watch.last
        if fault.kind.part and last is not None and not PARTS[last.part].open:
            return Outcome(
                fault, since_s, f"you moved the evening to {last.part}: outputs closed", "", self.watch.told()
            )
        return Outcome(fault, None, "", "", self.watch.told()) if since_s >= fault.window_s else None

    async def _tell(self, outcome: Outcome) -> None:
        """On the terminal, as a marker and as a notice on the page; then the evening goes on."""
        common.say("\nripieno: " + "\n         ".join(training.account(outcome)) + "\n")
        told = outcome.fault.told
        noticed = "not noticed" if outcome.after_s is None else f"noticed after {outcome.after_s:.0f} s"
        inner = self.house.inner
        await inner.mark(f"training: {outcome.fault.kind.key}, {noticed}")
        base = self.house.around.notices
        kept = inner.notices[len(base) :][-(NOTICES_KEPT - 1) :]
        inner.notices = (*base, *kept, f"Training, over: {told} ({noticed}).")
        if self.watch.last is not None and not PARTS[self.watch.last.part].open:
            await inner.set_part("piece")

    def summary(self) -> None:
        """Printed at the end, after the demo's own."""
        print("\ntraining")
        for line in training.summary(self.outcomes, self.false_alarms):
            print(f"  {line}")


def greet(window_s: float, token: str) -> None:
    """What the crew is told before: what to do, not what will come."""
    common.say(
        "ripieno: training: five things will go wrong. Watch the page; when something is wrong, press Enter here"
    )
    common.say(f"ripieno: (or type what you think it is). Each is told once you noticed it, or {window_s:g} s later.")
    common.say(f"ripieno: operator key for the page's buttons: {token}")

"""``ripieno demo``: a whole house in one process, with a simulated audience."""

from __future__ import annotations

import argparse
import asyncio
import secrets
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from aggregator.command import common, demo_faults, warm
from aggregator.command.errors import UserError
from aggregator.command.house import House, Surroundings, open_house
from aggregator.command.settings import Settings
from aggregator.snapshot import SeatState, Snapshot
from loadtest import training
from loadtest.physiology import Audience
from loadtest.programme import Programme
from loadtest.programme import demo as demo_programme
from loadtest.swarm import Swarm
from relay.seat_card import Keyring, issue
from relay.seat_plan import SeatPlan, generated

ONE_ROUND_S = 60.0  # the programme: 20 s rest, 8 s neutral, 10 s moment, 22 s calm
ENDLESS_S = 6 * 3600.0  # without --seconds: rounds of neutral, moment, calm until Ctrl-C, at the most an evening
MAX_LISTENERS = 1000  # one process, signals included; `ripieno loadtest` goes further
BEFORE_S, AFTER_S = 4.0, 8.0  # the summary compares the 4 s before a moment with the 8 s from its onset
LINE_EVERY_S = 5.0
WINDOW_S = 30.0  # of a training fault: past held and fading, so that all there is to see was shown
NOTICES = (
    "Demonstration: simulated listeners in an invented hall.",
    "Resting baseline shortened to {rest:.0f} s for the demonstration (a real one takes 120 s).",
)

HELP = """\
A whole house on this machine: relay, aggregator, page and a simulated audience in an invented hall. After 20 s of rest
and 8 s of neutral music comes a musical moment of 10 s, then calm; the house's arousal rises and comes down. Everything
stays on this machine unless --osc names another.

With --faults it is a training evening for the crew: five things go wrong, in an order and at places drawn from --seed.
"""


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "demo", help="a whole house with a simulated audience", description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    p.add_argument("--listeners", type=int, default=200, metavar="N", help=f"1..{MAX_LISTENERS} (default 200)")
    p.add_argument("--seconds", type=float, metavar="S", help="end after S seconds (default: Ctrl-C; headless: 60)")
    p.add_argument("--osc", action="append", metavar="HOST:PORT", help="Open Sound Control target; may be repeated")
    p.add_argument("--port", type=int, metavar="PORT", help="port of the page (default 8080)")
    p.add_argument("--headless", action="store_true", help="no live line; run once, print a summary and end")
    p.add_argument("--seed", type=int, default=1, metavar="N", help="another audience (default 1)")
    p.add_argument("--faults", action="store_true", help="training for the crew: faults, told once they were noticed")
    p.add_argument("--window", type=float, default=WINDOW_S, metavar="S", help="time to notice each (default 30)")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the demo; returns the exit code."""
    if not 1 <= args.listeners <= MAX_LISTENERS:
        raise UserError(f"--listeners: found {args.listeners}, allowed 1..{MAX_LISTENERS}")
    plan = generated(args.listeners)
    planned = _planned(plan, args) if args.faults else None
    seconds = args.seconds if args.seconds is not None else (ONE_ROUND_S if args.headless else ENDLESS_S)
    if planned is not None:
        seconds = planned.length_s
    if not 10 <= seconds <= ENDLESS_S:
        raise UserError(f"--seconds: found {seconds:g}, allowed 10..{ENDLESS_S:g}")
    programme = demo_programme(seconds).with_happenings(*(planned.happenings() if planned else ()))
    rest_s = programme.parts[1].start_s
    settings = common.settings_of(
        args, evening__id="demonstration", evening__seats=args.listeners, engine__rest_s=max(rest_s, 10.0),
        relay__port=0, checkpoint__path="",
    )  # fmt: skip
    notices = tuple(n.format(rest=rest_s) for n in NOTICES)
    token = secrets.token_urlsafe(9) if planned else ""  # only a training has something to do on the page
    around = Surroundings(plan, Keyring.generate(), token, notices=notices)
    warm.load()
    return common.run_until_stopped(_demo(settings, around, programme, args, planned))


def _planned(plan: SeatPlan, args: argparse.Namespace) -> training.Training:
    """The planned faults of a training. Raises UserError."""
    if args.seconds is not None:
        raise UserError("--seconds does not go with --faults: the training has its own length")
    if not 2 <= args.window <= 600:
        raise UserError(f"--window: found {args.window:g}, allowed 2..600")
    return training.plan(plan, args.seed, args.window)


@dataclass
class Watcher:
    """Keeps what the summary needs of each snapshot: (programme seconds, house arousal, confidence, counted)."""

    programme: Programme
    rows: list[tuple[float, float, float, int]] = field(default_factory=list)
    last: Snapshot | None = None
    start_ms: int | None = None

    def see(self, snapshot: Snapshot) -> None:
        """Called with each published snapshot."""
        self.last = snapshot
        if self.start_ms is not None:
            at_s = (snapshot.cut_ms - self.start_ms) / 1000
            house = snapshot.house
            if at_s <= ONE_ROUND_S + LINE_EVERY_S:
                self.rows.append((at_s, house.arousal, house.confidence, house.counted))

    def rise(self) -> tuple[float, float, float] | None:
        """(mean of the 4 s before the first moment, maximum within 8 s of its onset, mean of the last 4 s)."""
        if not self.programme.moments:
            return None
        onset = self.programme.moments[0].onset_s
        before = [a for t, a, _, _ in self.rows if onset - BEFORE_S <= t < onset]
        after = [a for t, a, _, _ in self.rows if onset <= t <= onset + AFTER_S]
        if not before or not after:
            return None
        calm = [a for t, a, _, _ in self.rows if t > self.rows[-1][0] - BEFORE_S]
        return sum(before) / len(before), max(after), sum(calm) / len(calm)


async def _demo(
    settings: Settings, around: Surroundings, programme: Programme, args: argparse.Namespace,
    planned: training.Training | None,
) -> int:  # fmt: skip
    seats = range(1, args.listeners + 1)
    tokens = [issue(around.keyring, settings.evening.id, seat) for seat in seats]
    audience = Audience(args.listeners, args.seed, programme)
    house = await open_house(settings, around)  # from here on ticks are due
    swarm = Swarm(house.phone_url, tokens, audience, seed=args.seed)
    watcher = Watcher(programme)
    house.inner.service.on_snapshot.append(watcher.see)
    common.say(f"ripieno: open {house.page_url} — the page of a house with {args.listeners} simulated listeners")
    if settings.outputs.osc:
        common.say(f"ripieno: Open Sound Control to {', '.join(settings.outputs.osc)}")
    common.say("ripieno: " + " ".join(around.notices))
    lesson = demo_faults.Lesson(planned, house, swarm, demo_faults.Keys()) if planned else None
    if lesson is not None:
        demo_faults.greet(args.window, around.operator_token)
    try:
        with demo_faults.keyboard(used=lesson is not None and not args.headless) as keys:
            if lesson is not None:
                lesson.keys = keys
            await _play(house, swarm, watcher, args, lesson)
    finally:
        house.inner.service.on_snapshot.remove(watcher.see)  # the summary tells of the evening, not of its closing
        await swarm.close()
        await house.close()
        _summary(house, swarm, watcher)
        if lesson is not None:
            lesson.summary()
    return 0


async def _play(
    house: House, swarm: Swarm, watcher: Watcher, args: argparse.Namespace, lesson: demo_faults.Lesson | None
) -> None:
    """Doors, everyone joins, then the programme with its parts and markers at their times."""
    programme = watcher.programme
    await house.inner.set_part("doors")
    joined = await swarm.join()
    common.say(f"ripieno: {joined} of {args.listeners} phones joined; the programme begins")
    watcher.start_ms = await house.inner.bus.now_ms()
    steps = sorted(
        [(p.start_s, "part", p.part) for p in programme.parts]
        + [(m.onset_s, "mark", m.title) for m in programme.moments]
    )
    live = not args.headless and lesson is None  # a line that rewrites itself would eat what the crew types
    beside = [asyncio.create_task(_conduct(house, steps)), asyncio.create_task(_lines(watcher, live=live))]
    if lesson is not None:
        beside.append(asyncio.create_task(lesson.run()))
    try:
        await swarm.run(programme.length_s)
    finally:
        for task in beside:
            task.cancel()
        ends = await asyncio.gather(*beside, return_exceptions=True)
    for end in ends:
        if isinstance(end, Exception):  # a helper that broke must not look like a quiet evening
            raise end


async def _conduct(house: House, steps: Sequence[tuple[float, str, str]]) -> None:
    loop = asyncio.get_running_loop()
    start = loop.time()
    for at_s, kind, name in steps:
        await asyncio.sleep(max(0.0, start + at_s - loop.time()))
        await (house.inner.set_part(name) if kind == "part" else house.inner.mark(name))


async def _lines(watcher: Watcher, *, live: bool) -> None:
    """Progress: a line that rewrites itself on a terminal, else one every five seconds."""
    rewriting = live and sys.stderr.isatty()
    while True:
        await asyncio.sleep(1.0 if rewriting else LINE_EVERY_S)
        text = _line(watcher)
        if text:
            print(f"\r{text:<100}" if rewriting else text, end="" if rewriting else "\n", file=sys.stderr, flush=True)


def _line(watcher: Watcher) -> str:
    snapshot = watcher.last
    if snapshot is None or watcher.start_ms is None:
        return ""
    at_s = (snapshot.cut_ms - watcher.start_ms) / 1000
    house = snapshot.house
    bar = "#" * round(30 * house.arousal)
    return (
        f"{at_s:5.0f} s  {snapshot.part:<6} house {house.arousal:.2f} |{bar:<30}| "
        f"confidence {house.confidence:.2f}, {house.counted} counted"
    )


def _summary(house: House, swarm: Swarm, watcher: Watcher) -> None:
    seen, counters = swarm.statistics(), house.inner.service.counters
    print(
        f"\nsnapshots sent {counters.sent}, late {counters.late_not_sent}; epoch {house.inner.service.leadership.epoch}"
    )
    print(f"phones {seen.phones}, connects {seen.connects}, packets {seen.packets}, acknowledged {seen.acknowledged}")
    if watcher.last is not None:
        named = (f"{SeatState(i).name.lower().replace('_', ' ')} {n}" for i, n in enumerate(watcher.last.states) if n)
        print("seats at the end: " + ", ".join(named))
    risen = watcher.rise()
    if risen is not None:
        before, peak, calm = risen
        print(
            f"house arousal: {before:.3f} before the moment, {peak:.3f} at its height (+{peak - before:.3f}), "
            f"{calm:.3f} at the end"
        )

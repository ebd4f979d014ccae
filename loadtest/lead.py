"""What happens to the house during a run: parts of the evening, a restart, the search for the limit. Shell."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from loadtest.conductor import Conductor
from loadtest.house import HouseError
from loadtest.limit import Found, Try, search
from loadtest.measures import FOLLOWED_SHARE, GENERATOR_LATE_S
from loadtest.report import Step
from loadtest.scenario import Objectives, Scenario

SETTLED_S = 3.0  # after a change of part, before values are judged: a published value moves at most 0.5 a second
RUNNING_REST_S = 35.0  # a running house's rest is 120 s long; its provisional baseline needs 20 clean seconds of it
JOIN_SPREAD_S = 3.0  # a climbing step's additional phones come within this
FIRST_S = 5.0  # more before the first step: a probe's first round, in which it cannot be heard to wake
NEAR_SPREAD_S = 1.0  # near the limit few come or go, but for those sent away by a relief:
JOINS_A_SECOND = 400.0  # at most; 2,000 in a second held the house up for longer than a step settles
RELIEF = 0.6  # after a step that broke, this share of the next until all is well: a backlog must not be inherited
RELIEF_LOOK_S = 3.0  # is looked at for whether all is well: three of four probes wake in it
RELIEVED_S = 30.0  # at most: a house that has not got over it by then will not
JOINED_S = 12.0  # at most, for the last of a step's phones to join: one that has not by then is not served
AGAIN_SERVED = 0.9  # a step in which so many phones were served, and which broke, is measured once more
LATE_TRIES = 2  # a step that broke while the generator was late says nothing: tried so often


@dataclass(slots=True)
class Lead:
    """Drives one run; afterwards ``window`` is what may be judged, ``steps`` and ``found`` the search."""

    scenario: Scenario
    say: Callable[[str], None]
    window: tuple[float, float] = (0.0, 0.0)
    steps: list[Step] = field(default_factory=list)
    found: Found | None = None
    given_out: str = ""

    async def __call__(self, conductor: Conductor) -> None:
        """The whole run, beside the generators."""
        if self.scenario.limit.start:
            await self._search(conductor)
            return
        await self._parts(conductor)
        restart_s = self.scenario.house.restart_relay_at_s
        if restart_s > 0:
            await conductor.until(restart_s)
            self.say("restarting the house")
            try:
                await conductor.house.restart()
            except HouseError as error:
                conductor.measures.problems.append(str(error))

    async def _parts(self, conductor: Conductor) -> None:
        """Rest, then the piece, where the house lets us; then the window of judgement begins."""
        rest_s, seconds = self.scenario.house.rest_s, self.scenario.seconds
        if not conductor.house.self_contained:
            rest_s = max(rest_s, RUNNING_REST_S)
        begin_s = self.scenario.house.rest_at_s
        begin_s = self.scenario.join.over_s + 1.0 if begin_s < 0 else begin_s
        ready_s = begin_s + rest_s
        self.window = (min(ready_s + SETTLED_S, seconds), seconds)
        await conductor.until(begin_s)
        moved = await conductor.house.part("rest")
        if not moved:
            self.say("the part of the evening stays as the operator set it (no page or operator key was given)")
            return
        await conductor.until(ready_s)
        if not await conductor.house.part("piece"):
            conductor.measures.problems.append("the page did not take the part of the evening")

    async def _search(self, conductor: Conductor) -> None:
        limit = self.scenario.limit
        await conductor.until(0.0)
        await conductor.house.part("rest")
        run = search(limit, self.scenario.phones)
        step = next(run)
        late_from = self.scenario.phones + 1
        try:
            while not (ended := conductor.house.ended()):
                held = await self._sound_step(conductor, step)
                late_from = late_from if held is not None else min(late_from, step.phones)
                step = run.send(bool(held))
            self.given_out = ended
        except StopIteration as end:
            self.found = end.value
        if self.found is not None and self.found.high >= late_from:
            self.found = None
            self.given_out = f"the generator itself was late at {late_from:,} phones: give it --workers"
        self.window = (0.0, conductor.now_s)
        conductor.order({"do": "stop"})

    async def _sound_step(self, conductor: Conductor, step: Try) -> bool | None:
        """Whether a step held; None when the generator was late in it again and again.

        That is no word about the house; far above its limit, on one machine, it is to be expected.
        """
        for _ in range(LATE_TRIES):
            held = await self._step(conductor, step)
            if held or conductor.house.ended() or not _late(conductor):
                return held
            self.say("  the generator was late itself: this step does not count")
        return None

    async def _step(self, conductor: Conductor, step: Try) -> bool:
        """Phones up to this number, all joined and settled; measure (half as long while the limit is far); judge.

        A step that broke though nearly all phones were served is measured once more as it stands, and that counts: a
        house that is too full gets worse meanwhile, one that was disturbed has recovered.
        """
        limit, phones = self.scenario.limit, step.phones
        there = self.steps[-1].phones if self.steps else 0
        if self.steps and not self.steps[-1].held:
            there = max(1, round(RELIEF * phones))
            await self._relieve(conductor, there)
        spread_s = max(NEAR_SPREAD_S if step.near else JOIN_SPREAD_S, (phones - there) / JOINS_A_SECOND)
        conductor.order({"do": "target", "phones": phones, "over_s": spread_s})
        await conductor.until(conductor.now_s + spread_s + (0.0 if self.steps else FIRST_S))
        await self._joined(conductor, phones)
        await conductor.until(conductor.now_s + limit.settle_s)
        measured_s = limit.step_s * (1.0 if step.near else 0.5)
        broke, first = await self._measured(conductor, measured_s), ""
        if broke and _served(conductor) >= AGAIN_SERVED and not _late(conductor):
            first, broke = broke, await self._measured(conductor, measured_s)
        self.steps.append(Step(phones, not broke, broke, first))
        said = "held" if not broke else broke + " broke"
        self.say(f"{phones:,} phones: {said}{' when measured again' if first else ''}")
        return not broke

    async def _relieve(self, conductor: Conductor, phones: int) -> None:
        """So few phones until no objective is broken with them, or half a minute has passed."""
        conductor.order({"do": "target", "phones": phones, "over_s": 0.0})
        end_s = conductor.now_s + RELIEVED_S
        await conductor.until(conductor.now_s + self.scenario.limit.settle_s)
        while await self._measured(conductor, RELIEF_LOOK_S):
            if conductor.now_s >= end_s or conductor.house.ended():
                return

    async def _joined(self, conductor: Conductor, phones: int) -> None:
        """Until nearly everybody is connected: joins cost the house more than packets, and are not what is judged."""
        end_s = conductor.now_s + JOINED_S
        while conductor.now_s < end_s:
            rows = conductor.measures.rows
            if rows and rows[-1].streaming >= FOLLOWED_SHARE * phones:
                return
            await conductor.until(conductor.now_s + 0.5)

    async def _measured(self, conductor: Conductor, measured_s: float) -> str:
        """The first objective that did not hold from now on, or nothing."""
        conductor.measures.mark()
        begin_s = time.monotonic()
        await conductor.until(conductor.now_s + measured_s)
        return self._broken(conductor, begin_s, measured_s)

    def _broken(self, conductor: Conductor, begin_s: float, measured_s: float) -> str:
        """The first objective that did not hold in the step, or nothing."""
        measures, goal = conductor.measures, self.scenario.objectives
        rows = list(measures.rows)[-max(1, int(measured_s)) :]
        served = np.array([r.followed / max(r.wanted, 1) for r in rows])
        latencies = _latencies(conductor, begin_s, (goal.latency_p99_ms or 0.0) / 1e3)
        return _first_broken(goal, measures.step_acks.percentile(99), latencies, served)


def _late(conductor: Conductor) -> bool:
    """Whether the generator was late itself in the measurement that ended now."""
    return conductor.measures.step_late.percentile(99) > GENERATOR_LATE_S


def _latencies(conductor: Conductor, begin_s: float, limit_s: float) -> list[float]:
    """From wakings since then to the show engine; those still on their way count once they took too long."""
    engine, now_s = conductor.engine, time.monotonic()
    if engine is None:
        return []
    engine.settle(now_s)
    shown = [s for at_s, s in engine.heard.latencies if at_s >= begin_s]
    return shown + [s for s in engine.waits_s(begin_s, now_s) if s > limit_s]


def _served(conductor: Conductor) -> float:
    """Share of the phones that should be there that were served in the last second."""
    rows = conductor.measures.rows
    return rows[-1].followed / max(rows[-1].wanted, 1) if rows else 0.0


def _first_broken(
    goal: Objectives, ack_s: float, latencies_s: list[float], served: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
) -> str:
    if not len(served) or float(np.median(served)) < FOLLOWED_SHARE:
        return "phones served"
    if goal.ack_p99_ms is not None and not ack_s * 1e3 <= goal.ack_p99_ms:
        return "ack_p99_ms"
    if goal.latency_p99_ms is not None and latencies_s:
        # a step has few probes: the 99th percentile of 60 is their maximum, so the 95th is judged against the limit
        if float(np.percentile(latencies_s, 95)) * 1e3 > goal.latency_p99_ms:
            return "latency_p99_ms"
    elif goal.latency_p99_ms is not None:
        return "latency_p99_ms"
    return ""

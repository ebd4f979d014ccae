"""The training evening: which faults are planted when, which phones are away, and what the crew is told. Pure.

Times are seconds of the programme. A fault lasts from ``start_s`` until the crew noticed it or ``window_s`` has passed;
only then it is told. Everything follows from seed, seats and window, so a training can be repeated.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loadtest.programme import Happening
from relay.seat_plan import SeatPlan

FIRST_S = 30.0  # the demo rests for 20 s and has its neutral passage first
GAP_SHARE = (0.3, 0.6)  # of the window, between two faults: seats return in it, and nobody can count on the beat
BACK_S = 5.0  # at least between two faults: who is still silent from the last one would hide the next on the page
LONG_ENOUGH_S = 3.0  # a phone's seat turns hollow after 1.5 s of silence; a shorter loss would not be seen on the page
LEAVING_S = 20.0  # how long a hall takes to begin to empty, in the training
DYING_SHARE, SLEEPING_SHARE, LEAVING_SHARE = 0.4, 0.8, 0.7  # the dying share; the others are invented
ROW_NAME = re.compile(r"\D+")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault: ``words`` that count as a right guess, ``told`` after it, ``do`` for next time, ``part``
    that the crew should move the evening to ("": none)."""

    key: str
    words: tuple[str, ...]
    told: str
    do: str
    part: str = ""


KINDS = (
    Kind(
        "row", ("row",), "row {name} fell silent: {count} phones stopped sending",
        "Nothing for the show: the seats were held, then faded to the house. Note the row; after the piece look at its "
        "power, its sensors' kit and the access point above it.",
    ),
    Kind(
        "access point", ("access", "point", "section", "wifi", "wi-fi"),
        "an access point was lost: all {count} phones of {name} dropped at once and came back together",
        "Nothing for the show while the rest of the house carries it: look at the switch and the access point's power. "
        "Expect all of them back at once; if one section carries the music alone, tell the conductor's desk.",
    ),
    Kind(
        "alarm", ("alarm", "fire", "evacuation", "leaving"),
        "an alarm in the hall: everybody moved at once, and {count} phones left it",
        "Follow the building's own procedure first; ripieno is no part of it. Then close the outputs: move the evening "
        "to interval on the page, so that nothing in light or sound follows a frightened house.", "interval",
    ),
    Kind(
        "interval", ("interval", "pause", "hidden", "sleep"),
        "the interval began: {count} phones went to sleep in pockets, their pages hidden",
        "Move the evening to interval as the lights go up: outputs close, alarms rest, phones say what to do. Before "
        "you go on: wait for the phones to return, then move to the piece.", "interval",
    ),
    Kind(
        "phones dying", ("phone", "dying", "battery", "batteries", "power"),
        "phones died one after the other: {count} of them, all over the house",
        "A slow loss all over the house is power, not radio: hand out power banks at the next pause (never mains "
        "chargers on a worn sensor). Watch the house's confidence: under half the seats no show should lean on it.",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault: ``rows`` of the swarm that it takes away, in the order in which they go."""

    kind: Kind
    start_s: float
    window_s: float
    rows: tuple[int, ...]
    name: str = ""

    @property
    def told(self) -> str:
        """What it was, in one sentence."""
        return self.kind.told.format(name=self.name, count=len(self.rows))

    def away(self, since_s: float) -> frozenset[int]:
        """Rows that are out of reach, ``since_s`` after the fault began."""
        if since_s < 0.0:
            return frozenset()
        if self.kind.key == "access point":
            # half the window away, then all return at once: the return is part of what there is to see
            away_s = max(self.window_s / 2, min(self.window_s, LONG_ENOUGH_S))
            return frozenset(self.rows if since_s < away_s else ())
        spread = {"alarm": min(LEAVING_S, self.window_s), "phones dying": 0.8 * self.window_s}.get(self.kind.key, 0.0)
        gone = len(self.rows) if spread == 0.0 else int(len(self.rows) * min(1.0, since_s / spread))
        return frozenset(self.rows[:gone])


@dataclass(frozen=True, slots=True)
class Training:
    """The planted faults in order of time, and how long the whole takes."""

    faults: tuple[Fault, ...]
    length_s: float

    def happenings(self) -> tuple[Happening, ...]:
        """What bodies do in it: in an alarm everybody moves."""
        return tuple(
            Happening("applause", f.start_s, f.start_s + min(LEAVING_S, f.window_s))
            for f in self.faults
            if f.kind.key == "alarm"
        )


def plan(seats: SeatPlan, seed: int, window_s: float) -> Training:
    """One fault of each kind, order and places drawn from ``seed``.

    Raises:
        ValueError: a window that is not positive.
    """
    if window_s <= 0.0:
        raise ValueError(f"window: found {window_s:g} s, needed more than 0")
    dice = np.random.default_rng(seed)
    kinds = [KINDS[i] for i in dice.permutation(len(KINDS))]
    made, at_s = [], FIRST_S
    for kind in kinds:
        at_s += max(BACK_S, window_s * float(dice.uniform(*GAP_SHARE)))
        rows, name = _who(kind, seats, dice)
        made.append(Fault(kind, at_s, window_s, rows, name))
        at_s += window_s
    return Training(tuple(made), at_s + window_s * GAP_SHARE[1])


def rows_of(seats: SeatPlan) -> Mapping[tuple[int, str], tuple[int, ...]]:
    """The plan's rows: (section, row's name) -> swarm rows (seat - 1)."""
    made: dict[tuple[int, str], list[int]] = {}
    for row, label in enumerate(seats.labels):
        found = ROW_NAME.match(label)
        made.setdefault((int(seats.section[row]), found[0] if found else label), []).append(row)
    return {key: tuple(rows) for key, rows in made.items()}


def _who(kind: Kind, seats: SeatPlan, dice: np.random.Generator) -> tuple[tuple[int, ...], str]:
    if kind.key == "row":
        places = sorted(rows_of(seats).items())
        (_, name), rows = places[dice.integers(len(places))]
        return rows, name
    if kind.key == "access point":
        section = int(dice.integers(len(seats.sections)))
        return tuple(np.flatnonzero(seats.section == section).tolist()), seats.sections[section].title
    share = {"alarm": LEAVING_SHARE, "interval": SLEEPING_SHARE, "phones dying": DYING_SHARE}[kind.key]
    return tuple(dice.permutation(seats.seats)[: max(1, round(share * seats.seats))].tolist()), ""


def right(kind: Kind, guess: str) -> bool | None:
    """Whether a typed guess names the fault; None for an empty one."""
    said = guess.lower()
    return any(word in said for word in kind.words) if said.strip() else None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one fault ended: ``after_s`` until it was noticed (None: it was not), ``how``: by a key or by the crew's
    own action, ``guess`` as typed, ``seen``: what the page showed."""

    fault: Fault
    after_s: float | None
    how: str = ""
    guess: str = ""
    seen: str = ""

    @property
    def guessed(self) -> bool | None:
        return right(self.fault.kind, self.guess)


def account(outcome: Outcome) -> list[str]:
    """What is told once a fault is over: what it was, how long it took, what the page showed, what to do."""
    kind = outcome.fault.kind
    if outcome.after_s is None:
        noticed = f"Not noticed within {outcome.fault.window_s:.0f} s"
    else:
        noticed = f"Noticed after {outcome.after_s:.0f} s ({outcome.how})"
    guess = {True: "; your guess was right", False: f"; you guessed {outcome.guess.strip()!r}", None: ""}
    lines = [f"It was: {outcome.fault.told}.", noticed + guess[outcome.guessed] + "."]
    if outcome.seen:
        lines.append(f"The page showed: {outcome.seen}.")
    return [*lines, f"What to do: {kind.do}"]


def summary(outcomes: Sequence[Outcome], false_alarms: int) -> list[str]:
    """The end of the training: a line a fault, and the count."""
    lines = []
    for number, outcome in enumerate(outcomes, 1):
        noticed = "not noticed" if outcome.after_s is None else f"noticed after {outcome.after_s:.0f} s"
        guess = {True: ", named rightly", False: ", named wrongly", None: ""}[outcome.guessed]
        lines.append(f"{number}. {outcome.fault.kind.key:<13} {noticed}{guess}")
    seen = sum(o.after_s is not None for o in outcomes)
    pressed = f", {false_alarms} false alarms" if false_alarms else ""
    return [*lines, f"{seen} of {len(outcomes)} faults noticed{pressed}"]

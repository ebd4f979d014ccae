"""One line of the check before doors: its state in words and sign, what was found, what to do. Pure."""

from __future__ import annotations

import enum
import textwrap
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

NAME_WIDTH = 13
TEXT_WIDTH = 110  # of the whole line, sign and name included
INDENT = " " * (NAME_WIDTH + 10)


class State(enum.IntEnum):
    """How much a line asks of the technician, by rising need."""

    OK = 0
    LOOK = 1
    FAILS = 2


WORDS = {State.OK: "ok", State.LOOK: "look", State.FAILS: "fails"}
SIGNS = {State.OK: "✓", State.LOOK: "!", State.FAILS: "✗"}
PLAIN_SIGNS = {State.OK: "+", State.LOOK: "!", State.FAILS: "x"}  # for terminals that cannot show the others


@dataclass(frozen=True, slots=True)
class Line:
    """What one check says. ``do`` is empty only where nothing is to be done.

    Raises:
        ValueError: a line that is not ok and does not say what to do.
    """

    name: str
    state: State
    found: str
    do: str = ""

    def __post_init__(self) -> None:
        if self.state is not State.OK and not self.do:
            raise ValueError(f"{self.name}: {self.found!r} says nothing of what to do")


def ok(name: str, found: str, do: str = "") -> Line:
    """Nothing to do (``do`` may still say what would be better)."""
    return Line(name, State.OK, found, do)


def look(name: str, found: str, do: str) -> Line:
    """Somebody should look; doors can open."""
    return Line(name, State.LOOK, found, do)


def fails(name: str, found: str, do: str) -> Line:
    """Doors should not open on this."""
    return Line(name, State.FAILS, found, do)


def exit_code(lines: Iterable[Line]) -> int:
    """0 where nothing fails, else 1."""
    return int(any(line.state is State.FAILS for line in lines))


def text(line: Line, *, plain: bool = False) -> str:
    """The line for a terminal: sign and word, name, what was found; below it, what to do."""
    sign = (PLAIN_SIGNS if plain else SIGNS)[line.state]
    head = f"{sign} {WORDS[line.state]:<6} {line.name:<{NAME_WIDTH}} "
    made = textwrap.wrap(line.found, TEXT_WIDTH, initial_indent=head, subsequent_indent=INDENT)
    if line.do:
        arrow = "->" if plain else "→"
        made += textwrap.wrap(
            line.do, TEXT_WIDTH, initial_indent=f"{INDENT}{arrow} ", subsequent_indent=INDENT + "   "
        )  # fmt: skip
    return "\n".join(made)


def summary(lines: Iterable[Line]) -> str:
    """The last line: how many of each, and what that means for the doors."""
    states = [line.state for line in lines]
    counts = {state: states.count(state) for state in State}
    verdict = {
        State.OK: "doors can open",
        State.LOOK: "doors can open; look at the marked lines first",
        State.FAILS: "put right what fails before doors",
    }[max(states, default=State.OK)]
    return ", ".join(f"{n} {WORDS[s]}" for s, n in counts.items() if n) + f": {verdict}"


def as_json(lines: Iterable[Line], *, complete: bool) -> dict[str, Any]:
    """The lines for programs; ``complete`` is False where the check was stopped before its end."""
    kept = list(lines)
    return {
        "complete": complete,
        "fails": bool(exit_code(kept)),
        "lines": [{**asdict(line), "state": WORDS[line.state]} for line in kept],
    }

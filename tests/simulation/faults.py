"""What goes wrong in a concert: a schedule drawn from the seed, as data. Pure."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.simulation.bus_server import Link


@dataclass(frozen=True)
class Fault:
    """At ``at_s`` of the concert, ``kind`` happens to number ``who``, for ``seconds``, with a ``detail``."""

    at_s: float
    kind: str
    who: int = 0
    seconds: float = 0.0
    detail: str = ""

    def __str__(self) -> str:
        return f"{self.at_s:6.2f} s  {self.kind} {self.who} for {self.seconds:.2f} s {self.detail}".rstrip()


Draw = Callable[[random.Random, float, int], list[Fault]]


def _phone(kind: str, low: float, high: float, detail: str = "") -> Draw:
    def draw(dice: random.Random, at: float, phones: int) -> list[Fault]:
        return [Fault(at, kind, dice.randrange(phones), dice.uniform(low, high), detail)]

    return draw


def _crowd(dice: random.Random, at: float, phones: int) -> list[Fault]:
    """Half of the house or all of it out of the network at once: an access point dies."""
    share, seconds = dice.choice((0.5, 0.8, 1.0)), dice.uniform(2, 16)
    return [Fault(at, "cut", i, seconds) for i in range(phones) if dice.random() < share]


def _withdraw(dice: random.Random, at: float, phones: int) -> list[Fault]:
    who = dice.randrange(phones)
    back = [Fault(at + dice.uniform(1, 15), "return", who)] if dice.random() < 0.5 else []
    return [Fault(at, "withdraw", who), *back]


def _role(kind: str, low: float, high: float) -> Draw:
    def draw(dice: random.Random, at: float, phones: int) -> list[Fault]:  # noqa: ARG001
        return [Fault(at, kind, dice.randrange(3), dice.uniform(low, high))]

    return draw


def _link(dice: random.Random, at: float, phones: int) -> list[Fault]:  # noqa: ARG001
    state = dice.choice([s for s in Link if s is not Link.GOOD])
    return [Fault(at, dice.choice(("relay-link", "lead-link")), dice.randrange(3), dice.uniform(0.3, 6), state.value)]


def _failover(dice: random.Random, at: float, phones: int) -> list[Fault]:  # noqa: ARG001
    """Every second time the new primary's clock is behind, by as many seconds as the detail says."""
    return [Fault(at, "bus-failover", 0, dice.uniform(1.0, 2.5), dice.choice(("", f"{dice.uniform(1, 4):.2f}")))]


def _clock(dice: random.Random, at: float, phones: int) -> list[Fault]:  # noqa: ARG001
    return [Fault(at, "bus-clock", 0, dice.choice((-3.0, -0.4, 0.3, 1.5, 4.0)))]


DRAWS: tuple[tuple[float, Draw], ...] = (
    (3.0, _phone("cut", 0.3, 25.0)),
    (1.0, _phone("cut", 5.0, 40.0, "half-open")),
    (3.0, _phone("stall", 0.3, 9.0)),
    (1.5, _phone("reload", 0, 0)),
    (1.0, _phone("clock", -5.0, 5.0)),
    (1.0, _withdraw),
    (0.7, _phone("erase", 0, 0)),
    (0.5, _phone("leave", 0, 0)),
    (0.8, _crowd),
    (1.0, _role("relay-kill", 1.0, 8.0)),
    (0.7, _role("relay-pause", 0.3, 6.0)),
    (1.5, _role("lead-kill", 1.0, 8.0)),
    (0.8, _role("spare-kill", 1.0, 8.0)),
    (1.0, _role("lead-pause", 0.3, 4.0)),
    (0.7, _role("spare-pause", 0.3, 12.0)),
    (2.0, _link),
    (0.8, _role("bus-stall", 0.3, 3.0)),
    (0.7, _role("bus-away", 0.3, 4.0)),
    (0.8, _failover),
    (0.6, _clock),
    (0.5, _role("disk-full", 3.0, 20.0)),
    (0.3, _role("disk-slow", 3.0, 15.0)),
    (0.25, _role("disk-damage", 0, 0)),
)


def draw(dice: random.Random, length_s: float, phones: int) -> list[Fault]:
    """A schedule: between two and about twenty things, anywhere in the concert."""
    made: list[Fault] = []
    draws, weights = [d for _, d in DRAWS], [w for w, _ in DRAWS]
    for _ in range(dice.choice((2, 5, 8, 12, 18))):
        made += dice.choices(draws, weights)[0](dice, dice.uniform(4.0, length_s), phones)
    return sorted(made, key=lambda fault: (fault.at_s, fault.kind, fault.who))

"""The seat plan against the seats' tokens: every seat has one, each opens this evening, no stranger. Pure."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from loadtest.check_line import Line, fails, look, ok
from relay.seat_card import Keyring, TokenError, admit
from relay.seat_plan import SeatPlan

COLUMNS = ("seat", "section", "label", "role", "token")
NAMED = 3  # seats named in a sentence; the rest are counted


@dataclass(frozen=True, slots=True)
class Card:
    """One line of the tokens' file; ``line`` is its number there."""

    line: int
    seat: int
    section: str
    label: str
    role: str
    token: str


class CardsError(ValueError):
    """A tokens' file that cannot be read; names the line."""


def read(text: str) -> list[Card]:
    """The cards in the text that ``ripieno seats`` writes. Raises CardsError."""
    rows = csv.DictReader(io.StringIO(text))
    if rows.fieldnames is None or set(COLUMNS) - set(rows.fieldnames):
        raise CardsError(f"its first line must name {', '.join(COLUMNS)}")
    made = []
    for row in rows:
        try:
            made.append(
                Card(rows.line_num, int(row["seat"]), row["section"], row["label"], row["role"], row["token"].strip())
            )
        except (TypeError, ValueError, AttributeError) as error:
            raise CardsError(f"line {rows.line_num} is no seat ({error})") from error
    return made


def judge(cards: Sequence[Card], plan: SeatPlan, keyring: Keyring, evening: str, now_s: float) -> Line:
    """The line for a whole file of cards."""
    name = "seat tokens"
    again = f"make the tokens again with `ripieno seats` for evening {evening!r} and its plan; print those cards"
    refused, wrong = _verified(cards, keyring, evening, now_s)
    audience = [c for c in cards if c.role == "audience"]
    strangers = [c for c in audience if not 1 <= c.seat <= plan.seats]
    counts: dict[int, int] = {}
    for card in audience:
        counts[card.seat] = counts.get(card.seat, 0) + 1
    missing = [plan.labels[seat - 1] for seat in range(1, plan.seats + 1) if seat not in counts]
    twice = [plan.labels[seat - 1] for seat, n in counts.items() if n > 1 and 1 <= seat <= plan.seats]
    said = [
        _named(refused, "do not open this evening", "does not open this evening"),
        _named(wrong, "say another seat or role than their line", "says another seat or role than its line"),
        _named([f"seat {c.seat}" for c in strangers], "are not in the plan", "is not in the plan"),
        _named(missing, "have no token", "has no token"),
        _named(twice, "have more than one token", "has more than one token"),
    ]
    found = "; ".join(s for s in said if s)
    if found:
        return fails(name, found, again)
    moved = [c.label for c in audience if _moved(c, plan)]
    if moved:
        return look(name, _named(moved, "are named otherwise in the plan", "is named otherwise in the plan"), again)
    others = len(cards) - len(audience)
    beside = f", and {others} for other roles" if others else ""
    return ok(name, f"each of the plan's {plan.seats} seats has one token that opens evening {evening!r}{beside}")


def _verified(cards: Sequence[Card], keyring: Keyring, evening: str, now_s: float) -> tuple[list[str], list[str]]:
    """Lines whose token does not hold, and lines whose token is another seat's or role's."""
    refused, wrong = [], []
    for card in cards:
        try:
            claim, _ = admit(keyring, evening, card.token, now_s)
        except TokenError:
            refused.append(f"line {card.line}")
            continue
        if (claim.seat, claim.role) != (card.seat, card.role):
            wrong.append(f"line {card.line}")
    return refused, wrong


def _moved(card: Card, plan: SeatPlan) -> bool:
    section = plan.sections[int(plan.section[card.seat - 1])].key
    return (card.label, card.section) != (plan.labels[card.seat - 1], section)


def _named(names: Sequence[str], many: str, one: str) -> str:
    if not names:
        return ""
    shown = ", ".join(names[:NAMED])
    rest = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{shown}{rest} {one if len(names) == 1 else many}"

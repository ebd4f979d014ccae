"""``ripieno seats``: a token a seat, for seat cards and sensor apps."""

from __future__ import annotations

import argparse
import csv
import os
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TextIO

from aggregator.command import common, files
from aggregator.command.errors import UserError
from relay.seat_card import MAX_GENERATION, ROLES, issue
from relay.seat_plan import MAX_SEATS

HELP = """\
Write one line a seat: number, section, label, role, token. A token lets a phone join on that seat, this evening only;
whoever holds it sits there, so treat the file like tickets. The keyring (evening.keyring) is made on first use: keep it
secret, and delete it after the evening to end every way back from pseudonym to seat. --generation 1 prints the cards a
second time; evening.revoked retires the first printing of those seats whose cards were lost.
"""


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "seats", help="make the seats' tokens", description=HELP, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    common.settings_options(p)
    p.add_argument("--out", type=Path, metavar="TOKENS.csv", help="where to write (default: to the screen)")
    p.add_argument("--role", choices=ROLES, default="audience", help="whose sensors (default audience)")
    p.add_argument("--count", type=int, metavar="N", help="how many, for roles other than audience (default 1)")
    p.add_argument("--generation", type=int, default=0, metavar="G", help="printing number of the cards, 0..1023")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the tokens; returns the exit code."""
    settings = common.settings_of(args)
    plan, ring = files.seat_plan(settings), files.keyring(settings, make=True)
    if not 0 <= args.generation <= MAX_GENERATION:
        raise UserError(f"--generation: found {args.generation}, allowed 0..{MAX_GENERATION}")
    if args.count is not None and not 1 <= args.count <= MAX_SEATS:
        raise UserError(f"--count: found {args.count}, allowed 1..{MAX_SEATS}")
    seats = range(1, plan.seats + 1) if args.role == "audience" else range(1, (args.count or 1) + 1)
    if args.count is not None and args.role == "audience":
        raise UserError(
            "--count goes with the roles performer, test and blank; the audience's seats come from the plan"
        )
    with ExitStack() as stack:
        try:
            out = stack.enter_context(_private(args.out)) if args.out else sys.stdout
        except OSError as error:
            raise UserError(f"{args.out} cannot be written ({error.strerror}); choose another place") from error
        rows = csv.writer(out)
        rows.writerow(("seat", "section", "label", "role", "token"))
        for seat in seats:
            token = issue(ring, settings.evening.id, seat, args.role, args.generation)
            sits = args.role == "audience"
            section = plan.sections[plan.section[seat - 1]].key if sits else ""
            rows.writerow((seat, section, plan.labels[seat - 1] if sits else "", args.role, token))
    if args.out:
        print(f"ripieno: {len(seats)} tokens for evening {settings.evening.id!r} in {args.out}", file=sys.stderr)
    return 0


def _private(path: Path) -> TextIO:
    """A file that only its owner may read (where it is new): its lines are tickets. Raises OSError."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    return open(descriptor, "w", newline="", encoding="utf-8")

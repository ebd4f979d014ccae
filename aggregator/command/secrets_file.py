"""``ripieno secrets``: the secret files that a scaled-out house needs, made where they are missing."""

from __future__ import annotations

import argparse
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any

from aggregator.command import common
from aggregator.command.errors import UserError
from relay.seat_card import Keyring

GROUP_READ = 0o440  # the bus's own server reads its password as another user of the same group

HELP = """\
Make the secret files of a house in a folder, each only if missing: bus_password (for the bus), operator_token (for
the page's buttons), keyring.json (behind seat tokens and pseudonyms). compose.yaml runs this once. Deleting
keyring.json after the evening ends every way back from pseudonym to seat. --apart puts them into the folders bus,
operator and keys of FOLDER, so that each role can be given those that it needs alone.
"""

FOLDERS = {"bus_password": "bus", "operator_token": "operator", "keyring.json": "keys"}


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "secrets", help="make the secret files of a house", description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    p.add_argument("folder", type=Path, metavar="FOLDER")
    p.add_argument("--apart", action="store_true", help="each in a folder of its own")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Make what is missing; returns the exit code."""
    texts: dict[str, Callable[[], str]] = {
        "keyring.json": Keyring.generate().dump,
        "operator_token": lambda: secrets.token_urlsafe(15) + "\n",
        "bus_password": lambda: secrets.token_urlsafe(30) + "\n",
    }
    for name, text in texts.items():
        path = args.folder / FOLDERS[name] / name if args.apart else args.folder / name
        common.say(f"ripieno: {path}: {'made' if _make(path, text()) else 'is there'}")
    return 0


def _make(path: Path, text: str) -> bool:
    """Whole or not at all, and never over an existing file (others may be waiting for it)."""
    if path.exists():
        return False
    beside = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, GROUP_READ), "w", encoding="utf-8") as file:
            file.write(text)
        os.replace(beside, path)
    except OSError as error:
        raise UserError(f"{path} cannot be made ({error.strerror}); choose another folder") from error
    return True

"""The files of an evening: seat plan, keyring, secrets. Each error says what to do."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from aggregator.command.errors import UserError
from aggregator.command.settings import Settings
from relay.seat_card import Keyring, KeyringError
from relay.seat_plan import SeatPlan, SeatPlanError, generated, parse

MIN_KEY_CHARACTERS = 12  # what serve makes: 72 bits


def seat_plan(settings: Settings) -> SeatPlan:
    """The plan file's seats, or an even hall of ``evening.seats``. Raises UserError."""
    if not settings.evening.plan:
        return generated(settings.evening.seats)
    path = Path(settings.evening.plan)
    try:
        return parse(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"seat plan {path} cannot be read ({error}); check evening.plan") from error
    except SeatPlanError as error:
        raise UserError(f"{path}: {error}") from error


def keyring(settings: Settings, *, make: bool) -> Keyring:
    """The keyring file; made (readable by its owner alone) when missing and ``make``. Raises UserError."""
    path = Path(settings.evening.keyring)
    try:
        return Keyring.load(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        if not make:
            raise UserError(
                f"keyring {path} is not there; `ripieno seats` makes it, or name it in evening.keyring"
            ) from None
        fresh = Keyring.generate()
        write_secret(path, fresh.dump())
        return fresh
    except KeyringError as error:
        raise UserError(f"{path}: {error}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"keyring {path} cannot be read ({error}); check evening.keyring") from error


def write_secret(path: Path, text: str) -> None:
    """Write a file that only its owner may read; never over an existing one. Raises UserError."""
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        raise UserError(f"{path} cannot be made ({error.strerror}); choose another place") from error
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)


def first_line(path: str, what: str) -> str | None:
    """The first line of a secret file, None when no path is set. Raises UserError."""
    if not path:
        return None
    try:
        lines = Path(path).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{what} file {path} cannot be read ({error})") from error
    if not lines or not lines[0].strip():
        raise UserError(f"{what} file {path} is empty; its first line must be the {what}")
    return lines[0].strip()


def operator_token(settings: Settings) -> tuple[str, bool]:
    """The operator's key, and whether it was made just now (and so must be shown)."""
    kept = first_line(settings.monitor.token_file, "operator key")
    if kept is not None and len(kept) < MIN_KEY_CHARACTERS:
        raise UserError(
            f"operator key file {settings.monitor.token_file}: found {len(kept)} characters, allowed "
            f"{MIN_KEY_CHARACTERS} or more; `ripieno secrets FOLDER` makes a good one"
        )
    return (kept, False) if kept else (secrets.token_urlsafe(9), True)

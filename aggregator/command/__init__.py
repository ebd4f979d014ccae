"""The command ``ripieno``: the composition root. The only place that imports all packages and chooses a back end."""

from __future__ import annotations

import argparse
import logging
import os
import sys
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version

from aggregator.command import allocator
from aggregator.command.errors import UserError
from aggregator.command.settings import SettingsError

COMMANDS = {  # by name, the module here
    "demo": "demo",
    "serve": "serve",
    "relay": "relay_role",
    "aggregate": "aggregate",
    "seats": "seats",
    "check": "check",
    "secrets": "secrets_file",
    "loadtest": "loadtest_run",
    "analyse": "analyse",
    "settings": "settings_table",
}
OWN_PACKAGES = ("relay", "aggregator", "loadtest")
DESCRIPTION = """\
A concert audience's arousal, measured seat by seat and handed to the show engine over open standards.

Begin with `ripieno demo`: a whole house with a simulated audience, on this machine only.
"""


def main(argv: list[str] | None = None) -> int:
    """Run one sub-command. Exit codes: 0 done, 1 a verdict of no, 2 wrong use or surroundings, 130 interrupted."""
    allocator.tune()
    words = sys.argv[1:] if argv is None else argv
    args = build_parser(next((word for word in words if not word.startswith("-")), "")).parse_args(words)
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    for package in OWN_PACKAGES:  # libraries' own notes would drown ours
        logging.getLogger(package).setLevel(logging.DEBUG if args.verbose else logging.INFO)
    try:
        return int(args.run(args))
    except (UserError, SettingsError) as error:
        for line in str(error).splitlines():
            print(f"ripieno: {line}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def build_parser(only: str = "") -> argparse.ArgumentParser:
    """The whole command line, or what ``only`` this sub-command needs: a third of an aggregator's cold start would be
    the importing of what others need."""
    parser = argparse.ArgumentParser(
        prog="ripieno", description=DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="version", version=f"ripieno {_version()}")
    parser.add_argument("--verbose", action="store_true", help="say more on stderr")
    sub = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in (only,) if only in COMMANDS else COMMANDS:
        import_module(f"aggregator.command.{COMMANDS[name]}").add(sub)
    return parser


def _version() -> str:
    try:
        return version("ripieno")
    except PackageNotFoundError:
        return "(not installed)"

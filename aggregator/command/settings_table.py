"""``ripieno settings``: every setting, with its default and what is allowed, as an evening.toml to edit."""

from __future__ import annotations

import argparse
from typing import Any

from aggregator.command.settings import describe


def add(sub: Any) -> None:
    """Declare the sub-command."""
    p = sub.add_parser(
        "settings",
        help="print an evening.toml with every setting at its default",
        description="Print an evening.toml with every setting at its default. The environment overrides the file "
        "(RIPIENO_RELAY_PORT=9401 for relay.port), options override both.",
    )
    p.set_defaults(run=run)


def run(_: argparse.Namespace) -> int:
    """Print; returns 0."""
    print(table(), end="")
    return 0


def table() -> str:
    """The text of a complete evening.toml."""
    lines: list[str] = []
    section = ""
    for key, default, allowed, said in describe():
        head, name = key.split(".")
        if head != section:
            lines += ["", f"[{head}]"] if lines else [f"[{head}]"]
            section = head
        lines.append(f"# {said}" + (f" ({allowed})" if allowed else ""))
        lines.append(f"{name} = {default}")
    return "\n".join(lines) + "\n"

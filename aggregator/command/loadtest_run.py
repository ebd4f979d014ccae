"""``ripieno loadtest``: the composition root's part: which house a self-contained test starts."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from loadtest import run as loadtest


def add(sub: Any) -> None:
    """Declare the sub-command; its options are loadtest's own."""
    p = sub.add_parser(
        "loadtest", help="drive a house with simulated phones and judge it", description=loadtest.HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    loadtest.options(p)
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the load test; a house of its own is this same command."""
    return loadtest.run(args, [sys.executable, "-m", "aggregator"])

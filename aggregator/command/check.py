"""``ripieno check``: the ten minutes before doors, line by line; and a page for one real phone (``--phone``)."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from aggregator.command import check_lines, check_phone, common
from aggregator.command.errors import UserError
from loadtest.check_line import Line, as_json, exit_code, fails, summary, text

INTERRUPTED = 130
STILL_AFTER_S = 2.0  # a check that takes longer says that it is still at it

HELP = """\
The check before doors, against the settings of the evening and, where the house already runs, against it. Each line
says how it stands (ok, look, fails), what was found, and what to do. Nothing is changed: what it starts, it ends.
Exit code 0: nothing fails; 1: something fails; 2: wrong use.

With --phone it serves a page for one real phone: open the printed address on it (or the square code) and let it lie
for two minutes; page and terminal name what went wrong, if anything did.
"""


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "check", help="the check before doors", description=HELP, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    common.settings_options(p)
    p.add_argument("--tokens", type=Path, metavar="TOKENS.csv", help="the seats' tokens, as `ripieno seats` wrote them")
    p.add_argument("--url", metavar="wss://NAME/phone", help="where phones connect, when a TLS proxy stands in front")
    p.add_argument("--certificate", type=Path, metavar="FILE.pem", help="the house's certificate and its chain")
    p.add_argument("--json", action="store_true", help="the lines as JSON")
    check_phone.options(p)
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check; returns the exit code."""
    if args.url is not None and (urlsplit(args.url).scheme not in ("ws", "wss") or not urlsplit(args.url).hostname):
        raise UserError(f"--url: found {args.url!r}, allowed ws://HOST:PORT/phone or wss://HOST/phone")
    settings = common.settings_of(args)
    if args.phone:
        return check_phone.run(args, settings)
    logging.getLogger("aggregator").setLevel(logging.ERROR)  # a house started for one packet need not tell its life
    logging.getLogger("ripieno.relay").setLevel(logging.ERROR)
    made: list[Line] = []
    checks = check_lines.checks(settings, check_lines.Given(args.tokens, args.url, args.certificate))
    return common.run_until_stopped(_check(checks, made, as_json_text=args.json))


async def _check(
    checks: Sequence[tuple[str, Callable[[], Awaitable[list[Line]]]]], made: list[Line], *, as_json_text: bool
) -> int:
    """Run all in order, each said as soon as it is known."""
    complete = False
    try:
        for name, ask in checks:
            lines = await _patiently(name, ask)
            made += lines
            if not as_json_text:
                for line in lines:
                    print(text(line, plain=check_phone.plain_terminal()), flush=True)
        complete = True
    except asyncio.CancelledError:
        common.say(f"ripieno: stopped; {len(made)} lines of the check were made")
    if as_json_text:
        print(json.dumps(as_json(made, complete=complete), indent=1, ensure_ascii=False))
    elif complete:
        print(summary(made))
    return exit_code(made) if complete else INTERRUPTED


async def _patiently(name: str, ask: Callable[[], Awaitable[list[Line]]]) -> list[Line]:
    """One check; says on stderr that it still runs, and turns its own surprise into a line."""
    work = asyncio.ensure_future(ask())
    begun = asyncio.get_running_loop().time()
    try:
        while not (await asyncio.wait({work}, timeout=STILL_AFTER_S))[0]:
            passed = asyncio.get_running_loop().time() - begun
            common.say(f"ripieno: {name}: still asking ({passed:.0f} s)")
        return work.result()
    except UserError as error:
        return [fails(name, str(error), "put this right in the settings, then check again")]
    finally:
        work.cancel()

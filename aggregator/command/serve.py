"""``ripieno serve``: a real evening on one machine."""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from pathlib import Path
from typing import Any

from aggregator import checkpoint, saved
from aggregator.checkpoint import CheckpointError
from aggregator.command import common, files, warm
from aggregator.command.errors import UserError
from aggregator.command.house import House, Surroundings, open_house, wait_for_end
from aggregator.command.settings import Settings
from aggregator.saved import Saved

ASK_AFTER_S = 6 * 3600.0  # an older checkpoint is more likely another evening's than this one's

HELP = """\
Run a house: take phones in, compute, drive the show engine, serve the technician's page. Listens on this machine only
until --listen names an address. Every few seconds a checkpoint of those who consented is written; after a crash the
next start goes on from it. Ctrl-C ends cleanly.
"""


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "serve",
        help="run a house on this machine",
        description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    common.settings_options(p)
    common.house_options(p)
    p.add_argument("--checkpoint", metavar="FILE", help="checkpoint file (default ripieno.checkpoint)")
    fresh = p.add_mutually_exclusive_group()
    fresh.add_argument("--fresh", action="store_true", help="ignore a checkpoint and begin anew")
    fresh.add_argument("--resume", action="store_true", help="go on from a checkpoint even if it is over 6 hours old")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped; returns the exit code."""
    settings = common.settings_of(args, checkpoint__path=args.checkpoint)
    if settings.bus.url != "memory":
        raise UserError(
            "serve runs everything in one process; with a bus of its own use `ripieno relay` and `ripieno aggregate`"
        )
    plan, ring = files.seat_plan(settings), files.keyring(settings, make=True)
    token, made = files.operator_token(settings)
    around = Surroundings(plan, ring, token, _saved(settings, fresh=args.fresh, resume=args.resume))
    warm.load()
    return common.run_until_stopped(_serve(settings, around, show_token=made))


def _saved(settings: Settings, *, fresh: bool, resume: bool) -> Saved | None:
    """The checkpoint to go on from, None to begin anew."""
    if fresh or not settings.checkpoint.path:
        return None
    path = Path(settings.checkpoint.path)
    try:
        image = checkpoint.read(path)
        age_s = time.time() - path.stat().st_mtime
    except FileNotFoundError:
        return None
    except (CheckpointError, OSError) as error:
        raise UserError(str(error)) from error
    if age_s > ASK_AFTER_S and not resume and not _confirmed(path, age_s):
        return None
    try:
        kept = saved.unpack(image)
    except CheckpointError as error:
        raise UserError(f"{path}: {error}") from error
    if kept.evening not in ("", settings.evening.id):  # its baselines are other listeners', its part another evening's
        raise UserError(
            f"{path} is of the performance {kept.evening!r}, not of {settings.evening.id!r}: --fresh begins anew in "
            "its place, --checkpoint FILE leaves it alone"
        )
    common.say(f"ripieno: going on from {path} ({age_s:.0f} s old, epoch {kept.epoch + 1})")
    return kept


def _confirmed(path: Path, age_s: float) -> bool:
    """Ask a person; without one, refuse to guess."""
    if not sys.stdin.isatty():
        raise UserError(f"{path} is {age_s / 3600:.1f} h old: --resume goes on from it, --fresh begins anew")
    answer = input(f"ripieno: {path} is {age_s / 3600:.1f} h old. Go on from it? [y/N] ")
    return answer.strip().lower() in {"y", "yes"}


async def _serve(settings: Settings, around: Surroundings, *, show_token: bool) -> int:
    try:
        house = await open_house(settings, around)
    except CheckpointError as error:
        raise UserError(f"{settings.checkpoint.path}: {error}") from error
    _greet(house, show_token=show_token)
    try:
        await wait_for_end(house)
    except asyncio.CancelledError:
        common.say("ripieno: stopping; phones are told when to come back")
    finally:
        await house.close()
    common.say(f"ripieno: stopped after {house.inner.service.counters.ticks} snapshots")
    return 0


def _greet(house: House, *, show_token: bool) -> None:
    common.say(f"ripieno: page     {house.page_url}")
    if show_token:
        common.say(f"ripieno: operator key for the page's buttons: {house.around.operator_token}")
    common.say(f"ripieno: phones   {house.phone_url}")
    targets = ", ".join(house.settings.outputs.osc) or "none (name one with --osc HOST:PORT)"
    common.say(f"ripieno: Open Sound Control to {targets}")
    if house.settings.relay.listen.startswith("127."):
        common.say("ripieno: phones of this machine only; --listen ADDRESS opens the door to others")
    common.say("ripieno: not a medical device, no emergency stop. Ctrl-C ends.")

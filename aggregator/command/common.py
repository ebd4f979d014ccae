"""Options and surroundings that several sub-commands share."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import logging
import signal
import sys
from collections.abc import Coroutine, Iterator
from pathlib import Path
from typing import Any

from aggregator.command.settings import Settings, load
from aggregator.saved import Saved

log = logging.getLogger(__name__)

ONE_WISH_S = (
    1.0  # Ctrl-C reaches a worker from the terminal and again from its parent: the goodbyes must not be cut off
)
COLLECT = 10_000, 10, 10  # new objects, and rounds of younger ones (Python: 700, 10, 10)


def settings_options(p: argparse.ArgumentParser) -> None:
    """The option that names evening.toml."""
    p.add_argument(
        "--settings", type=Path, metavar="EVENING.toml", help="settings file (`ripieno settings` prints one)"
    )


def house_options(p: argparse.ArgumentParser) -> None:
    """The options that override settings of a whole house."""
    p.add_argument("--listen", metavar="ADDRESS", help="address for phones (default 127.0.0.1: this machine only)")
    p.add_argument("--phone-port", type=int, metavar="PORT", help="port for phones")
    p.add_argument("--monitor-listen", metavar="ADDRESS", help="address of the page (default 127.0.0.1)")
    p.add_argument("--port", type=int, metavar="PORT", help="port of the page")
    p.add_argument("--osc", action="append", metavar="HOST:PORT", help="Open Sound Control target; may be repeated")
    p.add_argument("--tick-hz", type=float, metavar="HZ", help="snapshots a second, 1..44")


def settings_of(args: argparse.Namespace, **fixed: Any) -> Settings:
    """The settings that file, environment and options give. ``fixed``: dotted keys with ``__`` for the dot."""
    options = {
        "relay.listen": getattr(args, "listen", None),
        "relay.port": getattr(args, "phone_port", None),
        "monitor.listen": getattr(args, "monitor_listen", None),
        "monitor.port": getattr(args, "port", None),
        "outputs.osc": getattr(args, "osc", None),
        "engine.tick_hz": getattr(args, "tick_hz", None),
    }
    options |= {key.replace("__", "."): value for key, value in fixed.items()}
    return load(getattr(args, "settings", None), options=options)


def run_until_stopped(work: Coroutine[Any, Any, int]) -> int:
    """Run on uvloop where it is installed; Ctrl-C and SIGTERM cancel ``work``, which ends cleanly."""
    try:
        import uvloop

        factory = uvloop.new_event_loop
    except ImportError:
        factory = asyncio.new_event_loop
    collect_seldom()
    with asyncio.Runner(loop_factory=factory) as runner:
        return runner.run(_with_signals(work))


def collect_seldom() -> None:
    """Have Python look for cycles seldom: each look at old objects walks over all that every connection holds. At 5,000
    phones in one process 99 of 100 packets are at the show engine within 135-170 ms, with Python's own settings 227-405
    (``ripieno loadtest``, two runs of each); in a storm of connects a tenth of the time went into it."""
    gc.collect()
    gc.freeze()  # what was imported stays
    gc.set_threshold(*COLLECT)


async def _with_signals(work: Coroutine[Any, Any, int]) -> int:
    task = asyncio.ensure_future(work)
    with _signals(task):
        try:
            return await task
        except asyncio.CancelledError:
            return 0


@contextlib.contextmanager
def _signals(task: asyncio.Task[int]) -> Iterator[None]:
    loop = asyncio.get_running_loop()
    asked_s: list[float] = []

    def stop() -> None:
        if asked_s and loop.time() - asked_s[0] < ONE_WISH_S:
            return
        asked_s.append(loop.time())
        task.cancel()

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    try:
        yield
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


def warn_of_versions(kept: Saved) -> None:
    """Say where a checkpoint was written by another Python, numpy or kind of processor than goes on from it."""
    if other := kept.other_versions():
        log.warning("the checkpoint comes from other surroundings (%s): results agree to 1e-6, not to the bit", other)


def say(text: str) -> None:
    """One line for the person at the terminal, at once."""
    print(text, file=sys.stderr, flush=True)

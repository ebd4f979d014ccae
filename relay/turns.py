"""Rest between two turns of the event loop, so that more sockets are ready at the next: the wake-up is the dearest part
of a packet. Only for a process that does nothing else. Shell.
"""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Hurried(Protocol):
    """``hurries``: for so many turns more something is under way that should go out before the next rest."""

    hurries: int


def gather(who: Hurried, running: asyncio.Task[None], turn_s: float) -> None:
    """Let turns begin ``turn_s`` apart, until ``running`` is done. What a turn's own work took is no rest any more."""
    loop = asyncio.get_running_loop()

    def turn(rested_s: float) -> None:
        if running.done():
            return
        if who.hurries > 0:
            who.hurries -= 1
        else:
            left_s = rested_s + turn_s - time.monotonic()
            if left_s > 0.0:
                time.sleep(left_s)
            rested_s = time.monotonic()
        loop.call_soon(turn, rested_s)

    loop.call_soon(turn, time.monotonic())

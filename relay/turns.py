"""Rest between two turns of the event loop, so that more sockets are ready at the next: the wake-up is the dearest part
of a packet. Only for a process that does nothing else. Shell.
"""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Paced(Protocol):
    """``hurries``: for so many turns more something is under way that should go out before the next rest. ``due_ms``:
    when the next flush is due (monotonic), its call, and what is told when that fails."""

    hurries: int
    due_ms: float

    def flush_when_due(self) -> None: ...
    def broken(self, fault: Exception) -> None: ...


def gather(who: Paced, running: asyncio.Task[None], turn_s: float) -> None:
    """Let turns begin ``turn_s`` apart, until ``running`` is done. What a turn's own work took is no rest any more.

    A rest ends when a flush is due: the sockets are then read, and the next turn begins with the flush of what came.
    """
    loop = asyncio.get_running_loop()

    def turn(rested_s: float) -> None:
        if running.done():
            return
        try:
            who.flush_when_due()
        except Exception as fault:  # the turns end with it: whoever runs this must learn of it
            who.broken(fault)
            return
        if who.hurries > 0:
            who.hurries -= 1
        else:
            left_s = min(rested_s + turn_s, who.due_ms / 1000) - time.monotonic()
            if left_s > 0.0:
                time.sleep(left_s)
            rested_s = time.monotonic()
        loop.call_soon(turn, rested_s)

    loop.call_soon(turn, time.monotonic())

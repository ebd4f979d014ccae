"""What is left of an erased listener on disks, and its removal (contract 15); of one who withdrew as well. Shell.

Nobody's body data outlives their consent: who withdraws leaves a row without data, and may come back with a new yes;
who is erased is refused. What was measured before goes from the disks in the same way.

The engine clears its rows with the entry of either. What was written before stays in older checkpoints, in the bus's
streams, and in the bus's own files. So, at the lead:

1. a fresh checkpoint at once, and after it the older ones of the same evening are deleted, whoever wrote them;
2. on a bus that others read, entries stay for 30 s after a checkpoint: when those from before the erasure are all older
   than that, another checkpoint, and everything up to it is trimmed;
3. the bus writes its files anew (relay.bus.Bus.compact), asked again until it has; what could not be done is counted,
   said, and tried again after ten minutes.

Spares know of the same erasures: whoever leads when a step is due does it. A lead does not know what the one before it
has done, so that a step may be done twice.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from pathlib import Path

from aggregator import checkpoint, saved
from aggregator.checkpoint import CheckpointError
from aggregator.engine import Engine
from relay.bus import Bus, BusUnavailable

log = logging.getLogger(__name__)

COMPACT_EVERY_S = 5.0  # between two askings: a rewriting of 1 GB takes some tens of seconds
COMPACT_TRIES = 60  # five minutes: a failover and a rewriting under way are over by then
AGAIN_AFTER_S = 600.0  # after a round that failed: a server may be down for longer
SPARE_MS = 1_000  # beyond the followers' time: both of an erasure's entries, in its shard and in the house's stream
BEGUN_S = 60.0  # a checkpoint that has been begun for so long is a dead process's


def removals(engine: Engine) -> int:
    """Erasures and withdrawals that the engine has used so far."""
    return engine.own_counters["erasures"] + engine.own_counters["withdrawals"]


class Traces:
    """What has to be removed still. ``keep_ms``: how long entries stay on the bus behind a checkpoint."""

    def __init__(self, engine: Engine, bus: Bus, keep_ms: int, clock: Callable[[], float] = time.monotonic) -> None:
        self.engine, self.bus, self.keep_ms = engine, bus, keep_ms
        self.removals = removals(engine)
        # a restart cannot know what was done before it
        self.left = self.removals > 0 or bool(engine.listeners.tombstones)
        self.k, self._first_ms, self._newest_ms = engine.k, engine.cut, engine.cut  # of those that are left
        self.cleared = self.failures = self.files_removed = 0
        self._clock, self._due_s = clock, 0.0
        self._clean: dict[Path, float] = {}

    def notice(self) -> None:
        """Look after each tick whether it used an erasure or a withdrawal."""
        if removals(self.engine) != self.removals:
            self.removals = removals(self.engine)
            self.k, self._newest_ms = self.engine.k, self.engine.cut
            self._clean.clear()
            if not self.left:
                self.left, self._first_ms, self._due_s = True, self._newest_ms, 0.0

    def due(self, cut_ms: int) -> bool:
        """Whether a checkpoint of this cut lets all entries from before an erasure be dropped. Others that come after
        it have their turn later: who leaves now does not wait for the last one to leave."""
        return self.left and self.covered_ms(cut_ms) >= self._first_ms and self._clock() >= self._due_s

    def covered_ms(self, cut_ms: int) -> int:
        """Erasures up to this time are done with once the bus is cleared by a checkpoint of this cut."""
        return cut_ms - (self.keep_ms + SPARE_MS if self.keep_ms else 0)

    def end(self) -> None:
        """Say at the end what was not done any more."""
        if self.left and self.keep_ms:
            log.warning(
                "stopped before the bus was cleared of an erased listener: the next aggregator that leads does it"
            )

    def sweep(self, own: Path) -> None:
        """Delete this evening's other checkpoints from before the newest erasure, after ``own`` was written; also
        unreadable ones and those that a dead process began: nobody can go on from them. Blocks on the disk."""
        if not (self.left or self.removals or self.engine.listeners.tombstones):
            return
        for path in checkpoint.beside(own):
            written_s = checkpoint.seen_at(path)
            if self._clean.get(path) == written_s:
                continue
            try:
                if self._old(path, checkpoint.seen_at(own) - written_s):
                    checkpoint.remove(path)
                    self.files_removed += 1
                    log.info("%s removed: it is from before an erasure", path)
                else:
                    self._clean[path] = written_s
            except OSError as error:
                self.failures += 1
                log.error("%s may hold an erased listener and cannot be removed (%s)", path, error)

    def _old(self, path: Path, older_s: float) -> bool:
        if path.suffix not in (".checkpoint", ".portion"):
            return path.suffix == ".new" and older_s > BEGUN_S
        try:
            found = saved.unpack(checkpoint.read(path))
        except FileNotFoundError:
            return False
        except CheckpointError:
            return True
        return found.t0_ms == self.engine.t0_ms and found.k < self.k

    async def compact(self, covered_ms: int, leads: Callable[[], bool]) -> None:
        """Step 3, after the streams were trimmed; gives up when this one leads no longer."""
        why = "still under way"
        for _ in range(COMPACT_TRIES):
            try:
                if await self.bus.compact():
                    self.cleared += 1
                    self.left, self._first_ms = self._newest_ms > covered_ms, self._newest_ms
                    return
            except BusUnavailable as error:
                why = str(error)
            await asyncio.sleep(COMPACT_EVERY_S)
            if not leads():
                return
        self.failures += 1
        self._due_s = self._clock() + AGAIN_AFTER_S
        log.error("the bus's files may hold an erased listener, they could not be written anew: %s", why)

"""Checkpoints of the portions that one aggregator owns, what they let it trim, and who was erased. Shell.

As the service does for the whole house (aggregator.service), a portion at a time: by time at whoever owns it, each
portion at its own moment of the interval; after an erasure or a withdrawal at once, by whoever computes it. A file lies
in the folder that all aggregators share, ``NAME.I-of-N.portion``, and holds the portion's engine and the values
published by its writer beside it. The owner trims its portion's streams up to a file that is on disk, thirty seconds
stay for followers; the house's stream is kept whole. What others left of the portion a minute ago, nobody can go on
from any more: the owner removes it, for the published values are of the whole house's seats, and of a withdrawal only
the listener's own portion knows.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from aggregator import checkpoint, saved
from aggregator.checkpoint import CheckpointError
from aggregator.engine import Engine
from aggregator.engine_image import Buffers
from aggregator.erasure import Traces, removals
from aggregator.merger import Merger
from aggregator.saved import Saved
from relay.bus import Bus, BusUnavailable
from relay.entries import Stamp

log = logging.getLogger(__name__)

FOLLOWERS_MS = 30_000  # as the service's
ERASED_EVERY_S = 1.0  # as the service's
OLDER_S = 60.0  # behind the owner's file, which the bus was trimmed by: twice what stays for followers


def file_of(folder: Path, name: str, portion: int, of: int) -> Path:
    """Where an aggregator keeps a portion."""
    return folder / f"{name}.{portion}-of-{of}.portion"


def newest_file(folder: Path | None, portion: int, of: int, t0_ms: int) -> Saved | None:
    """The portion's file with the latest tick, whoever wrote it; damaged ones are named and passed over."""
    best: Saved | None = None
    for path in sorted(folder.glob(f"*.{portion}-of-{of}.portion")) if folder is not None else ():
        try:
            kept = saved.unpack(checkpoint.read(path))
        except (CheckpointError, OSError) as error:
            log.warning("%s: %s", path, error)
            continue
        if kept.t0_ms == t0_ms and (best is None or kept.k > best.k):
            best = kept
    return best


class PortionTraces(Traces):
    """What is left of erased listeners in one portion's files and streams. ``others``: how the names of the other
    portions' files end; those are their owners' to renew and to remove."""

    def __init__(self, engine: Engine, bus: Bus, clock: Callable[[], float], others: tuple[str, ...]) -> None:
        super().__init__(engine, bus, FOLLOWERS_MS, clock)
        self._others = others

    def _old(self, path: Path, older_s: float) -> bool:
        return not path.name.removesuffix(".new").endswith(self._others) and super()._old(path, older_s)


@dataclass(slots=True)
class _Kept:
    """One computed portion: what its newest file holds, and when the next is due."""

    engine: Engine
    traces: PortionTraces
    path: Path
    due_s: float
    erased_due_s: float
    removals: int
    writing: asyncio.Task[None] | None = None
    compacting: asyncio.Task[None] | None = None
    buffers: Buffers = field(default_factory=Buffers)  # its own: it may be dropped while its file is being written

    def clears(self, cut_ms: int) -> bool:
        """Whether the bus can be cleared of who was erased by a file of this cut; once at a time."""
        busy = self.compacting is not None and not self.compacting.done()
        return not busy and self.traces.due(cut_ms)


class PortionFiles:
    """All portions that this aggregator computes. ``owns(portion)``: asked before anything is written by time, trimmed
    or cleared. ``bus_id()``: the replication id under which positions were read."""

    def __init__(
        self, bus: Bus, merger: Merger, folder: Path, name: str, of: int, every_s: float, *,
        owns: Callable[[int], bool], bus_id: Callable[[], str], evening: str = "",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self.bus, self.merger, self.folder, self.name, self.of, self.every_s = bus, merger, folder, name, of, every_s
        self.owns, self.bus_id, self.evening, self._clock = owns, bus_id, evening, clock
        self.written = self.failures = 0
        self._kept: dict[int, _Kept] = {}
        self._seen: dict[Path, tuple[float, int, int]] = {}  # others' files: when written, their evening and tick

    def add(self, portion: int, engine: Engine) -> None:
        """It is computed from now on; its first file is due after its share of the interval."""
        now = self._clock()
        others = tuple(f".{other}-of-{self.of}.portion" for other in range(self.of) if other != portion)
        traces = PortionTraces(engine, self.bus, self._clock, others)
        first_s = now + self.every_s * (portion + 1) / self.of
        path = file_of(self.folder, self.name, portion, self.of)
        self._kept[portion] = _Kept(engine, traces, path, first_s, now, removals(engine))

    def _remove_older(self, portion: int, kept: _Kept, k: int) -> None:
        """Others' files of this evening and portion from long before tick ``k``, of which there is one. Blocks."""
        for path in self.folder.glob(f"*.{portion}-of-{self.of}.portion"):
            try:
                written_s = checkpoint.seen_at(path)
                if path != kept.path and self._seen.get(path, (0.0,))[0] != written_s:
                    self._seen[path] = written_s, 0, 0  # a damaged one is named once
                    found = saved.unpack(checkpoint.read(path))
                    self._seen[path] = written_s, found.t0_ms, found.k
                at = self._seen.get(path)
                if at and at[1] == kept.engine.t0_ms and at[2] < k - OLDER_S * kept.engine.tick_hz:
                    checkpoint.remove(path)
                    del self._seen[path]
            except (CheckpointError, OSError) as error:
                log.warning("%s: %s", path, error)

    def drop(self, portion: int) -> None:
        """It is computed no longer: its file here grows old, its owner keeps newer ones."""
        kept = self._kept.pop(portion)
        if kept.compacting is not None:
            kept.compacting.cancel()

    def traces(self) -> list[PortionTraces]:
        """For the counters."""
        return [kept.traces for kept in self._kept.values()]

    def step(self) -> None:
        """After each tick: begin what is due, at most one portion's file at a time (each costs the loop a copy)."""
        now = self._clock()
        for kept in self._kept.values():
            kept.traces.notice()
        if any(k.writing is not None and not k.writing.done() for k in self._kept.values()):
            return  # a clearing under way is not waited for: it may take minutes where a server is down
        for portion, kept in sorted(self._kept.items()):
            if self._due(portion, kept, now):
                kept.due_s, kept.erased_due_s = now + self.every_s, now + ERASED_EVERY_S
                kept.writing = asyncio.create_task(self._write(portion, kept))
                return

    def _due(self, portion: int, kept: _Kept, now: float) -> bool:
        if kept.engine.k < 0:
            return False
        if removals(kept.engine) > kept.removals and now >= kept.erased_due_s:
            return True
        clears = now >= kept.erased_due_s and kept.clears(kept.engine.cut)
        return self.owns(portion) and (now >= kept.due_s or clears)

    async def end(self, owned: frozenset[int]) -> None:
        """A last file of each portion that was owned; nothing goes on after it."""
        tasks = [t for k in self._kept.values() for t in (k.writing, k.compacting) if t is not None]
        for kept in self._kept.values():
            if kept.compacting is not None:
                kept.compacting.cancel()
        if tasks:
            await asyncio.wait(tasks)
        for portion, kept in sorted(self._kept.items()):
            if portion in owned and kept.engine.k >= 0:
                await self._write(portion, kept, final=True)
            kept.traces.end()

    async def _write(self, portion: int, kept: _Kept, *, final: bool = False) -> None:
        engine, positions, k, cut = kept.engine, kept.engine.positions(), kept.engine.k, kept.engine.cut
        removed, clears = removals(engine), self.owns(portion) and kept.clears(cut)
        pack = saved.freeze(engine, self.merger, self.bus_id(), self.evening, kept.buffers)
        try:
            await asyncio.to_thread(lambda: checkpoint.write(kept.path, pack()))
        except OSError as error:
            if self.failures == 0:
                log.error("%s cannot be written (%s); the evening goes on without", kept.path, error.strerror)
            self.failures += 1
            return  # nothing is dropped from the bus that no file keeps (contract 7)
        self.written += 1
        kept.removals = removed
        if final or not self.owns(portion):
            return
        await asyncio.to_thread(kept.traces.sweep, kept.path)
        await asyncio.to_thread(self._remove_older, portion, kept, k)
        if clears:
            covered_ms = kept.traces.covered_ms(cut)
            if await self._trim(engine, {s: Stamp(at.ms, at.n + 1) for s, at in positions.items()}, cut):
                owns = lambda: self.owns(portion)  # noqa: E731
                kept.compacting = asyncio.create_task(kept.traces.compact(covered_ms, owns))
        else:
            await self._trim(engine, positions, cut)

    async def _trim(self, engine: Engine, positions: dict[int, Stamp], cut_ms: int) -> bool:
        """The portion's own streams up to what a file holds; False where the bus did not answer for one."""
        done = True
        for stream in engine.owned:
            if stream in positions:
                try:
                    await self.bus.trim(stream, min(positions[stream], Stamp(max(0, cut_ms - FOLLOWERS_MS), 0)))
                except BusUnavailable:
                    done = False
        return done

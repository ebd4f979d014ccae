"""Moving the evening to another part: one entry on every stream, all of them or none left behind. Shell.

The bus takes entries stream by stream. Where it is lost in between, the streams already written are in the new part and
the others in the old one: what is missing is written when the bus is back, for a minute, unless another part has been
chosen meanwhile, here or on another aggregator's page. The house's stream comes last: phones are told after all shards.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable

from aggregator.engine import Engine
from relay.bus import Bus, BusUnavailable
from relay.entries import FIRST, Part, Stamp, encode_control
from relay.parts import PARTS

log = logging.getLogger(__name__)

GO_ON_S = 60.0  # longer than a failover; a part that changes by itself minutes after the press would surprise the stage
RETRY_S = 0.5  # pause between attempts; an attempt itself may take the bus's time-out


class PartUnfinished(BusUnavailable):
    """The bus was lost before every stream had the part; the rest is being written. The text is for the operator."""


class PartWriter:
    """One aggregator's changes of part. ``notice`` is what the page must say now, "" for nothing.

    ``engine`` tells what the bus holds already, as far as it has been read. ``clock`` is a steady clock in seconds.
    """

    def __init__(self, bus: Bus, engine: Engine, clock: Callable[[], float] = time.monotonic) -> None:
        self.notice = ""
        self._bus, self._engine, self._clock = bus, engine, clock
        self._one = asyncio.Lock()  # an entry under way is accepted or not before a newer part's first
        self._newest = 0
        self._going_on: asyncio.Task[None] | None = None

    async def set(self, name: str) -> None:
        """Write the part to every stream; takes the place of a change under way.

        Raises:
            KeyError: a name that relay.parts does not know.
            PartUnfinished: the bus was lost; what is missing is written in the background.
        """
        PARTS[name]
        self._newest += 1
        change = _Change(name, self._newest, list(range(self._bus.shards + 1)), self._read_up_to())
        try:
            await self._write(change)
        except BusUnavailable as error:
            if change.number != self._newest:
                return
            self.notice = change.said(self._bus.shards + 1, "the rest follows when the bus is back")
            log.warning("%s (%s)", self.notice, error)
            self._going_on = asyncio.create_task(self._go_on(change))
            raise PartUnfinished(self.notice) from error
        if change.number == self._newest:
            self.notice = ""

    async def end(self) -> None:
        """Give up what is under way."""
        self._newest += 1
        if self._going_on is not None:
            self._going_on.cancel()
            await asyncio.wait([self._going_on])

    async def _write(self, change: _Change) -> None:
        payload = [encode_control(Part(change.name))]
        while change.left and change.number == self._newest:
            async with self._one:
                if change.number != self._newest:
                    return
                (stamp,) = await self._bus.append(change.left[0], payload)
            change.since = max(change.since, stamp)
            del change.left[0]

    async def _go_on(self, change: _Change) -> None:
        until_s, streams = self._clock() + GO_ON_S, self._bus.shards + 1
        back_ms: int | None = None
        while change.number == self._newest:
            await asyncio.sleep(RETRY_S)
            if self._clock() >= until_s:
                self.notice = change.said(streams, "press the part again once the bus is back")
                log.error("%s", self.notice)
                return
            try:
                back_ms = await self._bus.now_ms() if back_ms is None else back_ms
                if self._engine.cut_ms(self._engine.used_at(self._engine.k)) <= back_ms:
                    continue  # not all used yet: another page may have moved the evening meanwhile
                if not self._overtaken(change):
                    await self._write(change)
            except BusUnavailable:
                back_ms = None
                continue
            if change.number == self._newest:
                self.notice = ""
                log.warning("part %s: %s", change.name, "overtaken by another" if change.left else "now written whole")
            return

    def _overtaken(self, change: _Change) -> bool:
        """Another part is on the bus, written after all that this change has written."""
        held = self._engine.shards_state
        return held.newest_part() != change.name and self._read_up_to() > change.since

    def _read_up_to(self) -> Stamp:
        return max(self._engine.shards_state.part_stamp, default=FIRST)


class _Change:
    """One press: the streams still to be written, and the newest stamp of its own, or of the part before it."""

    __slots__ = ("left", "name", "number", "since")

    def __init__(self, name: str, number: int, left: list[int], since: Stamp) -> None:
        self.name, self.number, self.left, self.since = name, number, left, since

    def said(self, streams: int, then: str) -> str:
        done = streams - len(self.left)
        return f"Part {self.name}: the bus was lost after {done} of {streams} streams, so sections may differ; {then}."

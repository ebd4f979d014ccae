"""Noticing that the bus failed over. Shell. What a reader does then is in relay.reread.

The bus says so by another replication id; the engine tells by itself what it has used of what is read again.
"""

from __future__ import annotations

import asyncio
import contextlib

from relay.bus import Bus, BusUnavailable

ASK_EVERY_S = 1.0  # one small command; a failover takes longer


class Failovers:
    """Asks the bus for its replication id. ``known`` is the id under which the positions were read; empty: the first
    answer becomes it."""

    def __init__(self, bus: Bus, known: str = "") -> None:
        self.known = known
        self._bus, self._told = bus, known

    async def watch(self) -> None:
        """Ask every second until cancelled; a bus that is away is asked again."""
        while True:
            with contextlib.suppress(BusUnavailable):
                self._told = await self._bus.replication_id()
            await asyncio.sleep(ASK_EVERY_S)

    def happened(self) -> bool:
        """True once for each change: between ticks is when a reader may go back."""
        before, self.known = self.known, self._told
        return bool(before) and before != self.known

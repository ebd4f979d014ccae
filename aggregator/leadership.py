"""Who drives the outputs: alone (embedded), or by a lease among several aggregators. Shell."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from typing import Protocol

from aggregator.leases import RENEW_MS, Lease, LeaseStore
from relay.bus import BusUnavailable

log = logging.getLogger(__name__)

LEAD = "lead"


class Leadership(Protocol):
    """Whether this process may send now. ``epoch`` rises at each restart and change of lead."""

    @property
    def epoch(self) -> int: ...

    def leads(self) -> bool:
        """Checked before each send; never waits."""
        ...

    async def run(self) -> None:
        """Keep what there is to keep until cancelled."""
        ...


class Alone:
    """One aggregator: always the lead."""

    def __init__(self, epoch: int = 1) -> None:
        self.epoch = epoch

    def leads(self) -> bool:
        """True."""
        return True

    async def run(self) -> None:
        """Nothing to renew."""
        await asyncio.Event().wait()


class Watching:
    """Never leads: a page of its own beside the others."""

    epoch = 0

    def leads(self) -> bool:
        """False."""
        return False

    async def run(self) -> None:
        """Nothing to renew."""
        await asyncio.Event().wait()


class Leased:
    """One of several: leads while its lease is certainly its own, counted from before the renewal was sent."""

    def __init__(
        self, store: LeaseStore, holder: str, *, clock: Callable[[], float] = time.monotonic, base_epoch: int = 0
    ) -> None:
        self.store, self.lease = store, Lease(LEAD, holder)
        self._clock, self._base = clock, base_epoch

    @property
    def epoch(self) -> int:
        """The lease's fencing token: it rises with every change of lead."""
        return self._base + self.lease.token

    def leads(self) -> bool:
        """True while the lease is held by this process's own steady clock."""
        return self.lease.held(self._clock() * 1000)

    async def run(self) -> None:
        """Ask for the lease every 200 ms; give it back at the end."""
        try:
            while True:
                await self.renew()
                await asyncio.sleep(RENEW_MS / 1000)
        finally:
            with contextlib.suppress(BusUnavailable, TimeoutError):
                await asyncio.shield(self.store.release(LEAD, self.lease.holder))
            self.lease.answered(0, 0.0)

    async def renew(self) -> None:
        """One request; a store that does not answer leaves the lease to run out."""
        asked_ms = self._clock() * 1000
        was = self.leads()
        try:
            token = await self.store.acquire(LEAD, self.lease.holder, self.lease.ttl_ms)
        except BusUnavailable:
            return
        self.lease.answered(token, asked_ms)
        if was != self.leads():
            log.warning("%s %s, epoch %d", self.lease.holder, "leads" if token else "is a spare", self.epoch)

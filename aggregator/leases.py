"""Leases: who leads, who owns a shard. Pure: time is an argument, the store is somebody else's.

A lease is held for ``ttl_ms`` and renewed every ``renew_ms``. Its *token* rises with every change of holder and is what
fences a late writer out. The holder never trusts the store's word for longer than the lease counted from *before* the
renewal was sent, on its own steady clock: a process that was stopped and woken finds its lease expired by itself,
without asking anyone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

TTL_MS = 800  # a lost holder is noticed within a second: publication resumes in under 2 s
RENEW_MS = 200  # four renewals a lease: three may be lost
MARGIN_MS = 100  # the holder stops this much before the store would hand the lease on (clock rate, send time)


class LeaseStore(Protocol):
    """Where leases are kept: in process, or on the bus's own server."""

    async def acquire(self, name: str, holder: str, ttl_ms: int) -> int:
        """The token when ``holder`` has the lease now (anew or still), 0 when another has it. Raises BusUnavailable."""
        ...

    async def release(self, name: str, holder: str) -> None:
        """Give the lease up if it is ours. Raises BusUnavailable."""
        ...

    async def remember(self, name: str, value: str) -> str:
        """Keep a value under a name if none is there; returns the one that is kept. Raises BusUnavailable."""
        ...


class Incarnation:
    """A store as one process uses it. Whoever is started again under the same name is another holder: it waits for the
    old lease to run out like anybody else, and gets a token of its own. Under the same token, what a stopped process of
    that name sends when it wakes up could not be told from what is sent now. ``mark``: this process's, never reused."""

    def __init__(self, store: LeaseStore, mark: str) -> None:
        self._store, self._mark = store, mark

    async def acquire(self, name: str, holder: str, ttl_ms: int) -> int:
        """See LeaseStore.acquire."""
        return await self._store.acquire(name, f"{holder}~{self._mark}", ttl_ms)

    async def release(self, name: str, holder: str) -> None:
        """See LeaseStore.release."""
        await self._store.release(name, f"{holder}~{self._mark}")

    async def remember(self, name: str, value: str) -> str:
        """See LeaseStore.remember."""
        return await self._store.remember(name, value)


@dataclass(slots=True)
class Lease:
    """One name that ``holder`` tries to hold; ``token`` 0 is not held. Times are a steady clock's milliseconds."""

    name: str
    holder: str
    ttl_ms: int = TTL_MS
    token: int = 0
    until_ms: float = 0.0
    changes: int = 0

    def held(self, now_ms: float) -> bool:
        """True while the lease is certainly ours: check before each send."""
        return self.token > 0 and now_ms < self.until_ms

    def answered(self, token: int, asked_ms: float) -> None:
        """The store answered a request that was sent at ``asked_ms``: ours with ``token``, or another's (0)."""
        if token != self.token:
            self.changes += 1
        self.token = token
        self.until_ms = asked_ms + self.ttl_ms - MARGIN_MS if token else 0.0


@dataclass(slots=True)
class MemoryLeaseStore:
    """Leases in process: the embedded default, and what simulations share. ``now_ms`` is set by whoever owns time."""

    now_ms: float = 0.0
    held: dict[str, tuple[str, float, int]] = field(default_factory=dict)
    tokens: dict[str, int] = field(default_factory=dict)
    kept: dict[str, str] = field(default_factory=dict)

    async def acquire(self, name: str, holder: str, ttl_ms: int) -> int:
        """See LeaseStore.acquire."""
        owner, until, token = self.held.get(name, ("", 0.0, 0))
        if owner and owner != holder and until > self.now_ms:
            return 0
        if owner != holder or until <= self.now_ms:
            token = self.tokens[name] = self.tokens.get(name, 0) + 1
        self.held[name] = (holder, self.now_ms + ttl_ms, token)
        return token

    async def release(self, name: str, holder: str) -> None:
        """See LeaseStore.release."""
        if self.held.get(name, ("",))[0] == holder:
            del self.held[name]

    async def remember(self, name: str, value: str) -> str:
        """See LeaseStore.remember."""
        return self.kept.setdefault(name, value)


def preferred(shard: int, peers: list[str]) -> list[str]:
    """The peers in this shard's order of preference (highest random weight): the first owns it, the second follows.

    Every peer computes the same order from the same names; when one joins or leaves, only the shards that it gains or
    had move. Source: rendezvous hashing, Thaler & Ravishankar (1998), IEEE/ACM Trans. Networking 6(1).
    """
    return sorted(peers, key=lambda peer: _weight(f"{shard}/{peer}"), reverse=True)


def _weight(text: str) -> int:
    """FNV-1a, 64 bit, then a finaliser: the same on every machine, unlike hash()."""
    value = 0xCBF29CE484222325
    for byte in text.encode():
        value = ((value ^ byte) * 0x100000001B3) & 0xFFFFFFFFFFFFFFFF
    value ^= value >> 33
    value = (value * 0xFF51AFD7ED558CCD) & 0xFFFFFFFFFFFFFFFF
    return value ^ (value >> 33)

"""How often an address may show a wrong operator key, and which names the page answers to. Pure."""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass, field

WRONG_AT_ONCE = 5.0  # a person's typing errors
WRONG_A_SECOND = 0.1  # after those one try in 10 s: a key of 72 bits outlasts the evening by far
MAX_ADDRESSES = 4096  # the oldest are forgotten: bounded memory (about 1 MB)
ALL_AT_ONCE, ALL_A_SECOND = 50.0, 2.0  # a ceiling over all that have guessed: many addresses gain one try each
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


@dataclass(slots=True)
class _Bucket:
    level: float
    at_s: float

    def refill(self, now_s: float, rate: float, most: float) -> float:
        self.level = min(most, self.level + (now_s - self.at_s) * rate)
        self.at_s = now_s
        return self.level


@dataclass(slots=True)
class Doorkeeper:
    """Counts wrong keys by address (IPv6 by /64). A right key is never counted, and clears its address.

    Guesses of other addresses never hold anybody off: an address that has shown no wrong key is not asked to wait,
    however many others guess. So each address has one try beside the ceiling; what stands against very many addresses
    is the length of the key. Who shares an address with a guesser (one gateway, one machine) waits with them.
    """

    refused: int = 0
    _by_address: OrderedDict[str, _Bucket] = field(default_factory=OrderedDict)
    _all: _Bucket | None = None

    def wait_s(self, address: str, now_s: float) -> float:
        """Seconds until this address may try again; 0 when it may now. Ask before comparing the key."""
        own = self._bucket(address, now_s).refill(now_s, WRONG_A_SECOND, WRONG_AT_ONCE)
        if own >= WRONG_AT_ONCE:
            return 0.0
        every = self._over_all(now_s)
        wait = max((1.0 - own) / WRONG_A_SECOND, (1.0 - every) / ALL_A_SECOND)
        if wait > 0.0:
            self.refused += 1
        return max(wait, 0.0)

    def wrong(self, address: str, now_s: float) -> None:
        """A wrong key came from this address."""
        self.refused += 1
        self._bucket(address, now_s).level -= 1.0
        self._over_all(now_s)
        assert self._all is not None
        self._all.level = max(self._all.level - 1.0, 0.0)

    def right(self, address: str) -> None:
        """The right key came from this address: its typing errors are forgotten."""
        self._by_address.pop(_network(address), None)

    def _over_all(self, now_s: float) -> float:
        if self._all is None:
            self._all = _Bucket(ALL_AT_ONCE, now_s)
        return self._all.refill(now_s, ALL_A_SECOND, ALL_AT_ONCE)

    def _bucket(self, address: str, now_s: float) -> _Bucket:
        name = _network(address)
        bucket = self._by_address.pop(name, None) or _Bucket(WRONG_AT_ONCE, now_s)
        self._by_address[name] = bucket
        while len(self._by_address) > MAX_ADDRESSES:
            self._by_address.popitem(last=False)
        return bucket


def _network(address: str) -> str:
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(ipaddress.ip_network(f"{address}/64", strict=False)) if found.version == 6 else str(found)


def answers_to(host_header: str, listening_on: str, names: Collection[str] = ()) -> bool:
    """False for a name that this page cannot have: a hostile site that points its own name here (DNS rebinding) would
    otherwise read the house through the technician's browser.

    On loopback only this machine's own names are taken; elsewhere ``names``, those, and any address; without ``names``
    anything.
    """
    name = host_header.rsplit(":", 1)[0] if host_header.count(":") == 1 or "]:" in host_header else host_header
    name = name.strip("[]").lower()
    if name in LOOPBACK_NAMES:
        return True
    if listening_on in LOOPBACK_NAMES:
        return False
    return not names or name in {n.lower() for n in names} or _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True

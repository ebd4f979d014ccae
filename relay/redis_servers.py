"""Which Redis server holds a key: the only one, Sentinel's primary, or a Cluster's node. Shell.

A Cluster is followed here, not by the client library's own Cluster client: that believes the first node that answers,
which after a failover may be the old primary that has just woken up and still takes itself for one. Here every node is
asked (CLUSTER NODES), and of their views the one with the newest configuration epoch counts: a failover raises it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from dataclasses import dataclass
from typing import Any, TypeVar

from redis.crc import key_slot

from relay.bus import BusUnavailable
from relay.redis_client import Place, Primary, client_for, close_client, limited

T = TypeVar("T")
Address = tuple[str, int]
VIEW_LIMIT_S = 0.25  # a node that stands still is not waited for: half of a command's time is left for the command


@dataclass(frozen=True, slots=True)
class View:
    """A node's picture of its Cluster: newest configuration epoch, all nodes, and who owns which slots (both ends)."""

    epoch: int
    addresses: frozenset[Address]
    slots: tuple[tuple[int, int, Address], ...]

    def owner(self, key: bytes) -> Address:
        """Raises BusUnavailable: nobody owns the key's slot."""
        slot = key_slot(key)
        for first, last, address in self.slots:
            if first <= slot <= last:
                return address
        raise BusUnavailable(f"Redis away: no node of the Cluster owns slot {slot}")


NOBODY = View(-1, frozenset(), ())


def view(nodes: dict[str, dict[str, Any]], asked: Address) -> View:
    """Of redis-py's reading of CLUSTER NODES. A node that does not know its own address is where it was asked."""
    slots, addresses = [], set()
    for name, node in nodes.items():
        host, _, port = name.rpartition(":")
        address = (host, int(port)) if host else asked
        addresses.add(address)
        for ends in node["slots"]:
            slots.append((int(ends[0]), int(ends[-1]), address))
    return View(max((int(node["epoch"]) for node in nodes.values()), default=-1), frozenset(addresses), tuple(slots))


class Servers:
    """Clients by key. ``doubt`` after every failure: who owns what is asked anew before the next exchange."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.client: Any = None if place.kind == "cluster" else client_for(place)
        self._primary = Primary(self.client)
        self._nodes: dict[Address, Any] = {}
        self._view, self._certain = NOBODY, False
        self._owners: dict[bytes, Any] = {}
        self._looking = asyncio.Lock()

    async def ask(self, work: Awaitable[T], limit_s: float) -> T:
        """One exchange within a time limit.

        Raises:
            BusUnavailable: for whatever went wrong.
        """
        try:
            return await limited(self._primary.then(work), limit_s)
        except BusUnavailable:
            self.doubt()
            raise

    def doubt(self) -> None:
        """What is known of the Cluster may be out of date."""
        self._certain = False

    async def of(self, key: bytes) -> Any:
        """The client for a key. In Cluster a plain one to its node, so that a pipeline and its WAIT share a connection
        and a reading of many streams is one exchange a node."""
        if self.client is not None:
            return self.client
        if not self._certain:
            await self._look()
        if key not in self._owners:
            self._owners[key] = self._node(self._view.owner(key))
        return self._owners[key]

    async def primaries(self) -> list[Any]:
        """A client to each server that is written to."""
        if self.client is not None:
            return [self.client]
        if not self._certain:
            await self._look()
        return [self._node(address) for address in sorted({address for *_, address in self._view.slots})]

    async def addresses(self) -> list[Address]:
        """All nodes of the Cluster, as looked up now, those too that are down."""
        self.doubt()
        await self._look()
        return sorted(self._view.addresses)

    async def close(self) -> None:
        """Close all connections; idempotent."""
        if self.client is not None:
            await close_client(self.client)
        for client in self._nodes.values():
            await close_client(client)

    async def _look(self) -> None:
        """Ask every known node; the newest view counts."""
        async with self._looking:
            if self._certain:  # somebody else has looked while we waited
                return
            asked = sorted({*self.place.hosts, *self._view.addresses})
            answers = await asyncio.gather(*map(self._view_of, asked), return_exceptions=True)
            views = [answer for answer in answers if isinstance(answer, View) and answer.slots]
            if not views:
                problems = "; ".join(
                    f"{host}:{port} {answer}" for (host, port), answer in zip(asked, answers, strict=True)
                )
                raise BusUnavailable(f"Redis away: no node of the Cluster answers ({problems})")
            self._view = max(views, key=lambda one: one.epoch)
            self._owners.clear()
            self._certain = True

    async def _view_of(self, address: Address) -> View:
        async with asyncio.timeout(VIEW_LIMIT_S):
            return view(await self._node(address).execute_command("CLUSTER NODES"), address)

    def _node(self, address: Address) -> Any:
        if address not in self._nodes:
            place = self.place
            one = Place("single", (address,), place.tls, "", place.username, place.password)
            self._nodes[address] = client_for(one)
        return self._nodes[address]

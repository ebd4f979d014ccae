"""A server that goes away between two writes: uvloop then raises RuntimeError, which is the bus being away."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from redis.exceptions import RedisError, SlotNotCoveredError

from aggregator.leases_redis import RedisLeaseStore
from relay.bus import BusUnavailable
from relay.bus_redis import Place, RedisBus
from relay.entries import FIRST

PLACE = Place("single", (("127.0.0.1", 1),))  # nobody is asked there


class ClosedClient:
    """As redis-py's client over a transport that uvloop has closed (seen when a Cluster's node was killed)."""

    def __getattr__(self, name: str) -> Callable[..., Awaitable[Any]]:
        async def command(*_: Any, **__: Any) -> Any:
            raise RuntimeError("unable to perform operation on <TCPTransport closed=True>; the handler is closed")

        return command


async def test_a_closed_transport_is_a_bus_that_is_away() -> None:
    bus = RedisBus(PLACE, "evening")
    real, bus.client = bus.client, ClosedClient()
    for ask in (bus.now_ms, bus.replication_id, lambda: bus.read({0: FIRST})):
        with pytest.raises(BusUnavailable, match="handler is closed"):
            await ask()
    await real.aclose()


class UncoveredClient:
    """As redis-py's cluster client while no node answers for a slot; its error is no RedisError."""

    def __getattr__(self, name: str) -> Callable[..., Awaitable[Any]]:
        async def command(*_: Any, **__: Any) -> Any:
            raise SlotNotCoveredError("slot 7 is not covered")

        return command


async def test_a_cluster_with_an_uncovered_slot_is_a_bus_that_is_away() -> None:
    assert not issubclass(SlotNotCoveredError, RedisError)  # why it has to be caught by name
    store = RedisLeaseStore(PLACE, "evening")
    real, store.client = store.client, UncoveredClient()
    with pytest.raises(BusUnavailable, match="not covered"):
        await store.acquire("lead", "a", 800)
    await real.aclose()


async def test_a_closed_transport_leaves_the_lease_to_run_out() -> None:
    store = RedisLeaseStore(PLACE, "evening")
    real, store.client = store.client, ClosedClient()
    with pytest.raises(BusUnavailable, match="handler is closed"):
        await store.acquire("lead", "a", 800)
    await real.aclose()

"""Errors that are no RedisError and yet mean that the bus is away: a transport that uvloop has closed (RuntimeError), a
Cluster in which nobody owns a slot."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from redis.asyncio.connection import Connection

from aggregator.leases_redis import RedisLeaseStore
from relay.bus import BusUnavailable
from relay.bus_redis import RedisBus
from relay.entries import FIRST
from relay.redis_client import Place, RedisUrlError, parse_url, shown

PLACE = Place("single", (("127.0.0.1", 1),))  # nobody is asked there


# seen over uvloop when a Cluster's node was killed
CLOSED = RuntimeError("unable to perform operation on <TCPTransport closed=True>; the handler is closed")


class FailingClient:
    """As redis-py's client, every command of which fails with ``error``."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def __getattr__(self, name: str) -> Callable[..., Awaitable[Any]]:
        async def command(*_: Any, **__: Any) -> Any:
            raise self.error

        return command


async def test_a_closed_transport_is_a_bus_that_is_away() -> None:
    bus = RedisBus(PLACE, "evening")
    real, bus.servers.client = bus.servers.client, FailingClient(CLOSED)
    for ask in (bus.now_ms, bus.replication_id, lambda: bus.read({0: FIRST})):
        with pytest.raises(BusUnavailable, match="handler is closed"):
            await ask()
    await real.aclose()


async def test_a_closed_transport_leaves_the_lease_to_run_out() -> None:
    store = RedisLeaseStore(PLACE, "evening")
    real, store.servers.client = store.servers.client, FailingClient(CLOSED)
    with pytest.raises(BusUnavailable, match="handler is closed"):
        await store.acquire("lead", "a", 800)
    await real.aclose()


class HalfClosedClient:
    """As redis-py's client on a connection that another task closed while this one was about to write."""

    async def xread(self, *_: Any, **__: Any) -> Any:
        connection = Connection(host="127.0.0.1", port=1)
        await connection._send_packed_command([b"PING"])


async def test_an_error_inside_the_client_library_is_a_bus_that_is_away() -> None:
    bus = RedisBus(PLACE, "evening")
    real, bus.servers.client = bus.servers.client, HalfClosedClient()
    with pytest.raises(BusUnavailable, match="writelines"):
        await bus.read({0: FIRST})
    await real.aclose()


async def test_our_own_mistake_is_no_bus_that_is_away() -> None:
    bus = RedisBus(PLACE, "evening")
    real, bus.servers.client = bus.servers.client, FailingClient(AttributeError("ours"))
    with pytest.raises(AttributeError, match="ours"):
        await bus.read({0: FIRST})
    await real.aclose()


@pytest.mark.parametrize(
    ("url", "seen"),
    [
        ("redis://:secret@h:1", "redis://…@h:1"),
        ("redis+sentinel://me:se@cret@a:1,b:2/hall", "redis+sentinel://…@a:1,b:2/hall"),
        ("redis://h:1", "redis://h:1"),
        ("memory", "memory"),
    ],
)
def test_a_password_in_an_address_is_not_shown(url: str, seen: str) -> None:
    assert shown(url) == seen


def test_a_refused_address_and_a_place_keep_the_password_to_themselves() -> None:
    with pytest.raises(RedisUrlError) as refused:
        parse_url("redis://:secret@:99999")
    assert "secret" not in str(refused.value)
    assert "secret" not in repr(parse_url("redis://:secret@h:1"))

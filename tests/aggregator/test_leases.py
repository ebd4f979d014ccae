"""Leases: at most one holder, tokens that rise, a holder that knows when its time is up."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.leases import MARGIN_MS, RENEW_MS, TTL_MS, Incarnation, Lease, LeaseStore, MemoryLeaseStore, preferred
from aggregator.leases_redis import RedisLeaseStore
from relay.bus import BusUnavailable
from relay.redis_client import parse_url
from tests.redis_servers import needs_redis, single, wait_until


async def shared_checks(store: LeaseStore) -> None:
    first = await store.acquire("lead", "a", 60_000)
    assert first > 0
    assert await store.acquire("lead", "a", 60_000) == first  # renewed: the same token
    assert await store.acquire("lead", "b", 60_000) == 0
    assert await store.acquire("shard-1", "b", 60_000) > 0  # names are apart
    await store.release("lead", "b")  # not the holder: nothing happens
    assert await store.acquire("lead", "b", 60_000) == 0
    await store.release("lead", "a")
    assert await store.acquire("lead", "b", 60_000) > first
    assert await store.remember("origin", "1") == "1"
    assert await store.remember("origin", "2") == "1"

    await started_again_checks(store)


async def started_again_checks(store: LeaseStore) -> None:
    """A container engine starts the same name again while the old process is stopped, or its lease still runs."""
    old, new = Incarnation(store, "1"), Incarnation(store, "2")
    first = await old.acquire("lead-2", "a", 60_000)
    assert await old.acquire("lead-2", "a", 60_000) == first > 0
    assert await new.acquire("lead-2", "a", 60_000) == 0
    await new.release("lead-2", "a")  # not its own: nothing happens
    assert await old.acquire("lead-2", "a", 60_000) == first
    await old.release("lead-2", "a")
    second = await new.acquire("lead-2", "a", 60_000)
    assert second > first
    assert await old.acquire("lead-2", "a", 60_000) == 0
    assert await old.remember("origin-2", "1") == await new.remember("origin-2", "2") == "1"


async def test_memory_store() -> None:
    await shared_checks(MemoryLeaseStore())


async def test_memory_store_expires() -> None:
    store = MemoryLeaseStore()
    first = await store.acquire("lead", "a", TTL_MS)
    store.now_ms = TTL_MS - 1
    assert await store.acquire("lead", "b", TTL_MS) == 0
    store.now_ms = TTL_MS
    assert await store.acquire("lead", "b", TTL_MS) == first + 1
    assert await store.acquire("lead", "a", TTL_MS) == 0


@pytest.fixture
async def redis_store(tmp_path: Path) -> AsyncIterator[RedisLeaseStore]:
    with single(tmp_path) as server:
        store = RedisLeaseStore(parse_url(f"redis://127.0.0.1:{server.port}"), "evening")
        yield store
        await store.close()


@needs_redis
async def test_redis_store(redis_store: RedisLeaseStore) -> None:
    await shared_checks(redis_store)


@needs_redis
async def test_redis_store_expires(tmp_path: Path) -> None:
    with single(tmp_path) as server:
        store = RedisLeaseStore(parse_url(f"redis://127.0.0.1:{server.port}"), "evening")
        first = await store.acquire("lead", "a|odd name", 30)
        assert await store.acquire("lead", "a|odd name", 30) == first
        wait_until(lambda: server.cli("EXISTS", "ripieno:{evening:lease}:held:lead") == "0", "expiry")
        assert await store.acquire("lead", "b", 60_000) > first
        await store.close()


@needs_redis
async def test_tokens_rise_over_a_loss_of_everything(redis_store: RedisLeaseStore) -> None:
    """A restart without data must not hand out lower tokens: receivers would discard all that follows."""
    token = await redis_store.acquire("lead", "a", 60_000)
    await redis_store.servers.client.flushall()
    until = await redis_store.servers.client.time()
    while await redis_store.servers.client.time() <= (until[0], 999_999):  # noqa: ASYNC110  (the server's own clock)
        await asyncio.sleep(0.01)
    assert await redis_store.acquire("lead", "b", 60_000) > token


@needs_redis
async def test_what_is_remembered_is_read_from_a_bus_that_takes_no_write(redis_store: RedisLeaseStore) -> None:
    """A primary without its replica: a cold start reads the evening's origin and computes, and only cannot lead."""
    assert await redis_store.remember("origin", "1") == "1"
    await redis_store.servers.client.config_set("min-replicas-to-write", "1")
    assert await redis_store.remember("origin", "2") == "1"
    with pytest.raises(BusUnavailable, match="NOREPLICAS"):
        await redis_store.acquire("lead", "a", 60_000)


def test_holder_stops_before_the_store_hands_on() -> None:
    lease = Lease("lead", "a")
    assert not lease.held(0)
    lease.answered(7, asked_ms=1000)
    assert lease.held(1000 + TTL_MS - MARGIN_MS - 1)
    assert not lease.held(1000 + TTL_MS - MARGIN_MS)
    lease.answered(0, asked_ms=1200)
    assert not lease.held(1201)
    assert RENEW_MS * 3 < TTL_MS - MARGIN_MS  # two lost renewals in a row do not lose the lease


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 900)), min_size=1, max_size=60))
async def test_never_two_holders(steps: list[tuple[str, int]]) -> None:
    """Whatever the order and the pauses, two holders never both believe, and tokens only rise."""
    store = MemoryLeaseStore()
    leases = {name: Lease("lead", name) for name in "abc"}
    highest = 0
    for name, pause in steps:
        store.now_ms += pause
        token = await store.acquire("lead", name, TTL_MS)
        leases[name].answered(token, store.now_ms)
        assert token == 0 or token >= highest
        highest = max(highest, token)
        assert sum(lease.held(store.now_ms) for lease in leases.values()) <= 1


def test_shards_move_only_with_their_peer() -> None:
    """Rendezvous hashing (Thaler & Ravishankar 1998): a leaving peer moves its own shards and no other."""
    peers = [f"peer-{i}" for i in range(5)]
    before = {shard: preferred(shard, peers)[0] for shard in range(160)}
    after = {shard: preferred(shard, peers[:-1])[0] for shard in range(160)}
    assert all(after[s] == before[s] for s in before if before[s] != "peer-4")
    assert min(Counter(before.values()).values()) > 160 / 5 / 2  # even enough

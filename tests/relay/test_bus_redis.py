"""The bus on real Redis servers: the shared contract on all three kinds, and what each failure looks like."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

from aggregator.leases_redis import RedisLeaseStore
from relay import bus_redis
from relay.bus import Bus, BusUnavailable
from relay.bus_redis import REPLICA_LIMIT_MS, RedisBus
from relay.entries import FIRST
from relay.redis_client import COMMAND_LIMIT_S, RedisUrlError, parse_url
from relay.seat_card import Keyring
from relay.server import Relay, RelaySettings
from tests.redis_servers import Server, cluster, needs_redis, sentinel, single, wait_until
from tests.relay.bus_contract import BusContract, all_of

pytestmark = [needs_redis, pytest.mark.needs_redis]
T = TypeVar("T")
EVENINGS = (f"evening-{n}" for n in itertools.count())  # a fresh, empty set of streams for each test


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with single(tmp_path_factory.mktemp("single")) as made:
        yield made


@pytest.fixture(scope="module")
def sentinel_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with sentinel(tmp_path_factory.mktemp("sentinel")) as (watchers, _, _):
        yield "redis+sentinel://" + ",".join(f"127.0.0.1:{w.port}" for w in watchers) + "/ripieno"


@pytest.fixture(scope="module")
def cluster_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with cluster(tmp_path_factory.mktemp("cluster")) as servers:
        yield "redis+cluster://" + ",".join(f"127.0.0.1:{s.port}" for s in servers)


class TestSingle(BusContract):
    @pytest.fixture
    async def bus(self, server: Server) -> AsyncIterator[Bus]:
        made = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
        yield made
        await made.close()


class TestSentinel(BusContract):
    @pytest.fixture
    async def bus(self, sentinel_url: str) -> AsyncIterator[Bus]:
        made = RedisBus(parse_url(sentinel_url), next(EVENINGS), accepted="replica")
        yield made
        await made.close()


class TestCluster(BusContract):
    @pytest.fixture
    async def bus(self, cluster_url: str) -> AsyncIterator[Bus]:
        made = RedisBus(parse_url(cluster_url), next(EVENINGS), accepted="replica")
        yield made
        await made.close()


async def test_killed_and_started_again_loses_nothing_accepted(tmp_path: Path) -> None:
    """Contract 7, ``process``: an append-only file each second survives a kill of the process. What Redis still keeps
    to itself because the disk is behind with a sync (``aof_buffer_length``) does not: phones send that again, for the
    replication id changes."""
    with single(tmp_path) as own:
        bus = RedisBus(parse_url(f"redis://127.0.0.1:{own.port}"), "e")
        accepted = [stamp for n in range(200) for stamp in await bus.append(2, [b"%d" % n])]
        before = await bus.replication_id()
        wait_until(lambda: "aof_buffer_length:0" in own.cli("INFO", "persistence").split(), "the file")
        own.kill()
        with pytest.raises(BusUnavailable):
            await bus.append(2, [b"lost"])
        own.start_again()
        assert [e.stamp for e in await all_of(bus, 2)] == accepted
        assert await bus.replication_id() != before  # phones send their ring again
        assert (await bus.append(2, [b"new"]))[0] > accepted[-1]
        await bus.close()


async def test_a_paused_server_costs_half_a_second_not_more(tmp_path: Path) -> None:
    """Client time-outs and no blind retries: whoever asked learns in bounded time (bound: the module's own limits)."""
    with single(tmp_path) as own:
        bus = RedisBus(parse_url(f"redis://127.0.0.1:{own.port}"), "e")
        await bus.append(0, [b"a"])
        own.pause()
        loop = asyncio.get_running_loop()
        begun = loop.time()
        with pytest.raises(BusUnavailable):
            await bus.append(0, [b"b"])
        took = loop.time() - begun
        own.resume()
        assert took <= COMMAND_LIMIT_S + REPLICA_LIMIT_MS / 1000 + 1.0  # a busy machine's share
        await bus.close()


async def test_replica_means_replica(tmp_path: Path) -> None:
    """With the replica gone nothing is accepted any more; back again, it is."""
    with sentinel(tmp_path) as (watchers, _, (replica,)):
        url = "redis+sentinel://" + ",".join(f"127.0.0.1:{w.port}" for w in watchers) + "/ripieno"
        bus = RedisBus(parse_url(url), "e", accepted="replica")
        await bus.append(0, [b"a"])
        replica.pause()
        with pytest.raises(BusUnavailable):
            await bus.append(0, [b"b"])
        replica.resume()
        await bus.close()


async def test_a_killed_primary_loses_nothing_accepted(tmp_path: Path) -> None:
    """Contract 7, ``replica``: Sentinel moves to the replica, which has every accepted entry."""
    with sentinel(tmp_path) as (watchers, primary, _):
        url = "redis+sentinel://" + ",".join(f"127.0.0.1:{w.port}" for w in watchers) + "/ripieno"
        bus = RedisBus(parse_url(url), "e", accepted="replica")
        accepted = [stamp for n in range(100) for stamp in await bus.append(1, [b"%d" % n])]
        before = await bus.replication_id()
        primary.kill()
        wait_until(lambda: str(primary.port) not in watchers[0].cli("SENTINEL", "GET-MASTER-ADDR-BY-NAME", "ripieno"),
                   "the failover", 20)  # fmt: skip
        found = await patient(lambda: all_of(bus, 1))
        assert [e.stamp for e in found][: len(accepted)] == accepted
        assert await patient(bus.replication_id) != before
        await bus.close()


async def test_a_stopped_primary_that_wakes_up_is_left_at_once(tmp_path: Path) -> None:
    """It answers reads for ten seconds more, until Sentinel makes it a replica (Redis 7: 8 s of hellos and a round)."""
    with sentinel(tmp_path, replicas=2) as (watchers, primary, _):
        url = "redis+sentinel://" + ",".join(f"127.0.0.1:{w.port}" for w in watchers) + "/ripieno"
        bus = RedisBus(parse_url(url), "e", accepted="replica")
        leases = RedisLeaseStore(parse_url(url), "e")
        await bus.append(1, [b"before"])
        await leases.acquire("lead", "a", 800)
        primary.pause()
        wait_until(lambda: str(primary.port) not in watchers[0].cli("SENTINEL", "GET-MASTER-ADDR-BY-NAME", "ripieno"),
                   "the failover", 20)  # fmt: skip
        primary.resume()
        await patient(lambda: bus.append(1, [b"after"]))
        assert await patient(lambda: leases.acquire("lead", "a", 800)) > 0
        assert "role:master" in primary.cli("INFO", "replication")  # not yet made a replica: we left it ourselves
        await bus.close()
        await leases.close()


async def patient(ask: Callable[[], Awaitable[T]]) -> T:
    """A failover takes some seconds: ask until it answers (20 s at the most)."""
    for _ in range(100):
        try:
            return await ask()
        except BusUnavailable:
            await asyncio.sleep(0.2)
    raise AssertionError("the bus did not come back")


async def test_a_full_stream_refuses_until_trimmed(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus_redis, "BOUND_BYTES", 20_000)
    monkeypatch.setattr(bus_redis, "CHECK_EVERY_S", 0.0)
    bus = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
    stamps = await bus.append(5, [b"x" * 30_000])
    with pytest.raises(BusUnavailable, match="stream 5 is full"):
        await bus.append(5, [b"y"])
    stamps += await bus.append(6, [b"y"])  # each stream has its own bound
    await bus.trim(5, stamps[0]._replace(n=stamps[0].n + 1))
    assert await bus.append(5, [b"z"])
    assert bus.statistics().refused >= 1
    await bus.close()


async def test_answers_left_unread_are_not_taken_for_others(server: Server) -> None:
    """One key of an exchange holds something else: all of that exchange is refused, and the next one's stamps are its
    own entries', not answers that were still in the connection."""
    bus = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
    for stream in (2, 3, 4):
        await bus.append(stream, [b"before"])  # their fill has been looked at: the next appends are one exchange
    await bus.servers.client.set(bus._key(3), b"no stream")
    answers = await asyncio.gather(*(bus.append(stream, [b"a", b"b"]) for stream in (2, 3, 4)), return_exceptions=True)
    assert all(isinstance(one, BusUnavailable) for one in answers)
    stamps = await bus.append(5, [b"c"])
    assert [entry.stamp for entry in await bus.read({5: FIRST})] == stamps
    await bus.close()


async def _written_ago(bus: RedisBus, stream: int, *ages_ms: int) -> None:
    """Entries with stamps of the past, as an evening that has been going on for a while would have left them."""
    now_ms = await bus.now_ms()
    for age_ms in ages_ms:
        await bus.servers.client.xadd(bus._key(stream), {b"p": b"old"}, id=f"{now_ms - age_ms}-0")


async def test_an_evening_of_hours_still_takes_what_the_house_is_told(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The house's stream is kept whole: parts and erasures are written to it however old its first entry is."""
    monkeypatch.setattr(bus_redis, "CHECK_EVERY_S", 0.0)
    bus = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
    await _written_ago(bus, bus.shards, 7_200_000, 3_600_000)
    for _ in range(3):
        assert await bus.append(bus.shards, [b"part"])
    await bus.close()


async def test_a_shard_that_was_quiet_takes_its_first_phones(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reader's durable position stays in the stream: its age is not the age of anything unread."""
    monkeypatch.setattr(bus_redis, "CHECK_EVERY_S", 0.0)
    bus = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
    await _written_ago(bus, 3, 1_500_000)
    for _ in range(3):
        assert await bus.append(3, [b"join"])
    await bus.close()


async def test_two_minutes_unread_are_refused(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus_redis, "CHECK_EVERY_S", 0.0)
    bus = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
    await _written_ago(bus, 3, 130_000, 129_000)
    assert await bus.append(3, [b"own"])  # how old the others are shows against the own last entry
    with pytest.raises(BusUnavailable, match="is an aggregator running"):
        await bus.append(3, [b"own"])
    await bus.close()


@pytest.mark.parametrize(
    ("url", "kind", "hosts"),
    [
        ("redis://h:1", "single", (("h", 1),)),
        ("redis://h", "single", (("h", 6379),)),
        ("rediss://h:1", "single", (("h", 1),)),
        ("redis+sentinel://a:1,b:2/hall", "sentinel", (("a", 1), ("b", 2))),
        ("redis+cluster://a:1,[::1]:2", "cluster", (("a", 1), ("::1", 2))),
    ],
)
def test_urls(url: str, kind: str, hosts: tuple[tuple[str, int], ...]) -> None:
    place = parse_url(url, "secret")
    assert (place.kind, place.hosts, place.password) == (kind, hosts, "secret")


@pytest.mark.parametrize("url", ["", "http://h", "redis://", "redis://h:x", "redis://:5", "redis+cluster://a:1,,b"])
def test_urls_refused(url: str) -> None:
    with pytest.raises(RedisUrlError, match="allowed"):
        parse_url(url)


async def test_nobody_there() -> None:
    bus = RedisBus(parse_url("redis://127.0.0.1:1"), "e")
    with pytest.raises(BusUnavailable, match="Redis away"):
        await bus.read({0: FIRST})
    await bus.close()


async def test_a_relay_that_is_closed_at_once_ends(server: Server) -> None:
    """The client library can lose a cancellation that comes with an answer: closing must not wait for ever."""
    for n in range(30):
        bus = RedisBus(parse_url(f"redis://127.0.0.1:{server.port}"), next(EVENINGS))
        relay = Relay()
        await relay.start(bus, RelaySettings(keyring=Keyring.generate(), evening="e"))
        await asyncio.sleep(n * 0.001)
        async with asyncio.timeout(20):
            await relay.close()
        await bus.close()

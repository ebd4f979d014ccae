"""The start script of a server that Sentinel watches: back as a replica before Sentinel makes it one."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.redis_servers import Server, needs_redis, sentinel, wait_until

pytestmark = [needs_redis, pytest.mark.slow, pytest.mark.timeout(90)]
Set = tuple[list[Server], Server, Server]


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Set]:
    with sentinel(tmp_path, beside=True) as (watchers, primary, (replica,)):
        yield watchers, primary, replica


def is_replica_of(server: Server, primary: Server) -> bool:
    said = server.cli("INFO", "replication")
    return "role:slave" in said and f"master_port:{primary.port}" in said and "master_link_status:up" in said


def takes_over(server: Server, watchers: list[Server]) -> None:
    wait_until(lambda: "role:master" in server.cli("INFO", "replication"), "a new primary")
    wait_until(
        lambda: all(str(server.port) in w.cli("SENTINEL", "get-master-addr-by-name", "ripieno") for w in watchers),
        "sentinels that name it",
    )


def untouched(watchers: list[Server]) -> bool:
    """No sentinel had to make anybody a replica."""
    return not any("+convert-to-slave" in (w.folder / "log").read_text() for w in watchers)


def test_who_starts_again_is_a_replica_from_the_start(watched: Set) -> None:
    watchers, primary, replica = watched
    primary.kill()
    takes_over(replica, watchers)
    assert "NOREPLICAS" in replica.cli("SET", "a", "1")
    primary.start_again()
    assert "role:slave" in primary.cli("INFO", "replication")
    wait_until(lambda: is_replica_of(primary, replica), "the old primary as a replica")
    wait_until(lambda: replica.cli("SET", "a", "1") == "OK", "a primary that takes writes")
    assert untouched(watchers)


def test_who_wakes_up_is_made_a_replica(watched: Set) -> None:
    watchers, primary, replica = watched
    primary.process.send_signal(signal.SIGSTOP)
    takes_over(replica, watchers)
    primary.process.send_signal(signal.SIGCONT)
    wait_until(lambda: is_replica_of(primary, replica), "the old primary as a replica")
    assert untouched(watchers)


def test_who_is_named_stays_the_primary_and_comes_back_as_it(watched: Set) -> None:
    watchers, primary, replica = watched
    primary.kill()
    primary.start_again()  # before a second has passed: nobody takes over
    wait_until(lambda: is_replica_of(replica, primary), "the replica")
    assert "role:master" in primary.cli("INFO", "replication")
    assert untouched(watchers)

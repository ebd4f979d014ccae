"""The bus before doors: what Redis says of itself, and what the check makes of it. Rules pure, ``ask`` is the shell."""

from __future__ import annotations

import asyncio
import contextlib
import statistics
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from redis.exceptions import RedisError

from loadtest.check_line import Line, fails, look, ok
from relay.bus import BusUnavailable
from relay.redis_client import Place, limited
from relay.redis_servers import Servers

PINGS = 20
ASK_LIMIT_S = 5.0  # for all of it: who answers slower than that is no bus for a house
LATENCY_LOOK_S = 0.02  # as long as the relay gathers packets: the bus would set the pace
LATENCY_FAILS_S = 0.25  # half of a command's time limit: under load it would be over
PACKET_BYTES = 300  # a packet on the bus with its entry's share (common practice: measure with `ripieno loadtest`)
PACKETS_A_SECOND = 4
UNREAD_S = 120  # so much may wait unread before the bus is full
LITTLE_SHARE = 0.25  # of that need: half a minute without an aggregator, then phones wait


@dataclass(frozen=True, slots=True)
class BusFacts:
    """One bus. ``servers``: what INFO says of each primary; ``problem``: why there is nothing; ``ahead_s`` its clock
    minus ours, ``uncertain_s`` half the round trip; ``latency_s`` the median of some PINGs."""

    where: str
    servers: tuple[Mapping[str, Any], ...] = ()
    problem: str = ""
    ahead_s: float = 0.0
    uncertain_s: float = 0.0
    latency_s: float = 0.0


def judge(facts: BusFacts, seats: int, accepted: str) -> list[Line]:
    """One line for reaching it and its latency, and one for what it keeps."""
    name = "redis"
    if facts.problem:
        return [
            fails(
                name, f"{facts.where} does not answer: {facts.problem}",
                "start it, check bus.url and bus.password_file, and that its firewall lets this machine in",
            )
        ]  # fmt: skip
    kept = [line for info in facts.servers for line in _server(name, info, seats, accepted)]
    return [_latency(name, facts), *dict.fromkeys(kept)]  # servers that say the same are told once


def _latency(name: str, facts: BusFacts) -> Line:
    found = f"{facts.where} answers in {1000 * facts.latency_s:.1f} ms"
    if facts.latency_s > LATENCY_LOOK_S:
        word = fails if facts.latency_s > LATENCY_FAILS_S else look
        return word(name, f"{found}: slow", "put it on this machine or this switch, by cable; end what else it serves")
    return ok(name, found)


def _server(name: str, info: Mapping[str, Any], seats: int, accepted: str) -> list[Line]:
    bad = [line for line in (_kept(name, info), _memory(name, info, seats), _replica(name, info, accepted)) if line]
    if bad:
        return bad
    replicas = int(info.get("connected_slaves", 0))
    return [ok(name, f"append-only file on, refuses rather than forgets when full, {replicas} replicas; memory enough")]


def _kept(name: str, info: Mapping[str, Any]) -> Line | None:
    """Accepted packets are neither forgotten nor lost with the process."""
    if not int(info.get("aof_enabled", 0)):
        return fails(
            name, "append-only file is off: what was acknowledged is lost with its process",
            "redis-cli CONFIG SET appendonly yes, and write it into its settings",
        )  # fmt: skip
    if info.get("aof_last_write_status", "ok") != "ok":
        return fails(name, "the append-only file could not be written the last time", "look at its disk and its log")
    policy = str(info.get("maxmemory_policy", "noeviction"))
    if policy != "noeviction":
        return fails(
            name, f"when memory is full it forgets entries ({policy})",
            "redis-cli CONFIG SET maxmemory-policy noeviction, and write it into its settings",
        )  # fmt: skip
    return None


def _memory(name: str, info: Mapping[str, Any], seats: int) -> Line | None:
    """Room for what may wait unread: two minutes of the whole house."""
    used, limit = int(info.get("used_memory", 0)), int(info.get("maxmemory", 0))
    total = int(info.get("total_system_memory", 0))
    if not limit and not total:
        return None
    free = (limit or total) - used
    need = seats * PACKETS_A_SECOND * PACKET_BYTES * UNREAD_S
    if free >= need:
        return None
    word = fails if free < LITTLE_SHARE * need else look
    return word(
        name, f"{free >> 20} MiB of memory left, two minutes of {seats} phones need {need >> 20} MiB",
        "raise its maxmemory, or take what else it keeps to another server",
    )  # fmt: skip


def _replica(name: str, info: Mapping[str, Any], accepted: str) -> Line | None:
    """``accepted = "replica"`` promises more than one copy."""
    if accepted != "replica":
        return None
    if not int(info.get("connected_slaves", 0)):
        return fails(
            name, "no replica is attached, but accepted means replica: no packet would be acknowledged",
            "start the replica, or set bus.accepted to process",
        )  # fmt: skip
    if "min_slaves_good_slaves" not in info:
        return look(
            name, "a cut-off primary would go on accepting: min-replicas-to-write is 0",
            "redis-cli CONFIG SET min-replicas-to-write 1, and write it into its settings",
        )  # fmt: skip
    return None


def mode(url: str) -> Line:
    """The line for a house without Redis."""
    return ok("redis", f"not used: the bus is {url}, in the house's own process")


async def ask(place: Place) -> BusFacts:
    """PING, TIME and INFO of every primary."""
    where = ", ".join(f"{host}:{port}" for host, port in place.hosts)
    servers = Servers(place)
    try:
        return await limited(_ask(servers, where), ASK_LIMIT_S)
    except BusUnavailable as error:
        return BusFacts(where, problem=str(error))
    finally:
        with contextlib.suppress(RedisError, OSError):
            await servers.close()


async def _ask(servers: Servers, where: str) -> BusFacts:
    clients = await servers.primaries()
    await _of_all(clients, "ping")
    took = [(await _of_all(clients, "ping"))[1] for _ in range(PINGS)]
    begun = time.time()
    pairs, round_s = await _of_all(clients, "time")
    ahead = min(int(s) + int(us) / 1e6 for s, us in pairs) - (begun + round_s / 2)
    infos, _ = await _of_all(clients, "info")
    return BusFacts(where, tuple(infos), "", ahead, round_s / 2, statistics.median(took))


async def _of_all(clients: Sequence[Any], what: str) -> tuple[list[Any], float]:
    """One question to every primary at once: the answers, and how long the slowest took."""
    begun = time.perf_counter()
    answers = await asyncio.gather(*(getattr(client, what)() for client in clients))
    return answers, time.perf_counter() - begun

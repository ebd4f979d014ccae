"""Redis's addresses, clients and time limits: every failure between here and the server is a BusUnavailable. Shell."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, TypeVar
from urllib.parse import parse_qs, urlsplit

from redis.asyncio import Redis
from redis.asyncio.retry import Retry
from redis.asyncio.sentinel import Sentinel
from redis.backoff import NoBackoff
from redis.exceptions import RedisError, ResponseError

from relay.bus import BusUnavailable

T = TypeVar("T")
COMMAND_LIMIT_S = 0.5  # contract: client time-outs 0.5 s; a paused server must not hold a relay's turn longer
CONNECT_LIMIT_S = 0.5
ASK_SENTINEL_EVERY_S = 0.5  # one small question; a quarter of the time that a failover takes at least
# RuntimeError: what uvloop says when the server went away between two writes ("the handler is closed").
AWAY = (RedisError, OSError, TimeoutError, asyncio.IncompleteReadError, RuntimeError)


class RedisUrlError(ValueError):
    """An address that names no Redis; says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the servers are: ``kind`` single, sentinel or cluster; ``service`` is Sentinel's name for the primary."""

    kind: str
    hosts: tuple[tuple[str, int], ...]
    tls: bool = False
    service: str = "ripieno"
    username: str | None = None
    password: str | None = field(default=None, repr=False)


KINDS = {"redis": "single", "rediss": "single", "redis+sentinel": "sentinel", "redis+cluster": "cluster"}


def shown(url: str) -> str:
    """The address without what stands before its @: logs and terminals must not keep a password."""
    scheme, colon, rest = url.partition("://")
    login, at, hosts = rest.rpartition("@")
    return f"{scheme}{colon}…{at}{hosts}" if login else url


def parse_url(url: str, password: str | None = None) -> Place:
    """``redis://HOST:PORT``, ``redis+sentinel://H:P,H:P/SERVICE``, ``redis+cluster://H:P,H:P``; rediss for TLS.

    Raises:
        RedisUrlError: for anything else.
    """
    scheme, _, rest = url.partition("://")
    allowed = f"allowed: {', '.join(k + '://HOST:PORT' for k in KINDS)} (hosts separated by commas)"
    if scheme not in KINDS or not rest:
        raise RedisUrlError(f"bus url: found {shown(url)!r}, {allowed}")
    hosts, _, path = rest.partition("/")
    login, _, hosts = hosts.rpartition("@")
    username, _, inline = login.partition(":")
    path, _, query = path.partition("?")
    tls = scheme == "rediss" or parse_qs(query).get("tls") == ["1"]
    try:
        pairs = tuple((p.hostname or "", p.port or 6379) for p in (urlsplit(f"//{h}") for h in hosts.split(",")))
    except ValueError as error:
        raise RedisUrlError(f"bus url: found {shown(url)!r} ({error}), {allowed}") from error
    if not all(host for host, _ in pairs):
        raise RedisUrlError(f"bus url: found {shown(url)!r}, {allowed}")
    return Place(KINDS[scheme], pairs, tls, path or "ripieno", username or None, password or inline or None)


def client_for(place: Place) -> Any:
    """A redis-py client to one server or to Sentinel's primary, with the time limits of this module and no retries of
    its own. A Cluster's nodes are found by relay.redis_servers."""
    options: dict[str, Any] = {
        "socket_timeout": COMMAND_LIMIT_S,
        "socket_connect_timeout": CONNECT_LIMIT_S,
        "username": place.username,
        "password": place.password,
        "protocol": 2,
        "ssl": place.tls,
    }
    retry = Retry(NoBackoff(), 0)
    if place.kind == "sentinel":
        own = {"socket_timeout": COMMAND_LIMIT_S, "socket_connect_timeout": CONNECT_LIMIT_S}
        sentinel = Sentinel(list(place.hosts), sentinel_kwargs=own)  # type: ignore[no-untyped-call]
        return sentinel.master_for(place.service, retry=retry, **options)
    host, port = place.hosts[0]
    return Redis(host=host, port=port, retry=retry, **options)


async def close_client(client: Any) -> None:
    """Close a client and, where Sentinel finds its primary, the connections to the sentinels."""
    await client.aclose()
    manager = getattr(getattr(client, "connection_pool", None), "sentinel_manager", None)
    for watcher in manager.sentinels if manager is not None else ():
        await watcher.aclose()


class Primary:
    """Keeps a client with the primary that Sentinel names; does nothing for other kinds.

    An old primary that was only stopped wakes up and answers reads as before, for about ten seconds, until Sentinel
    makes it a replica: who is still connected to it reads nothing new and is refused every write.
    """

    def __init__(self, client: Any, clock: Callable[[], float] = time.monotonic) -> None:
        pool = getattr(client, "connection_pool", None)
        self._pool = pool if hasattr(pool, "sentinel_manager") else None
        self._clock, self._due_s = clock, 0.0

    async def then(self, work: Awaitable[T]) -> T:
        """Ask Sentinel when it is time, then do the work."""
        try:
            await self._follow()
        except BaseException:
            if isinstance(work, Coroutine):
                work.close()
            raise
        return await work

    async def _follow(self) -> None:
        if self._pool is None or self._clock() < self._due_s:
            return
        self._due_s = self._clock() + ASK_SENTINEL_EVERY_S
        with contextlib.suppress(*AWAY):  # no sentinel answers: whoever was the primary is the best there is
            named = await self._pool.sentinel_manager.discover_master(self._pool.service_name)
            if self._pool.master_address not in (None, named):
                self._pool.master_address = named
                await self._pool.disconnect(inuse_connections=True)


async def limited(work: Awaitable[T], limit_s: float) -> T:
    """One exchange with Redis within a time limit.

    A cancellation that the client library lost on the way (it can, when the answer comes in the same turn) is raised
    again at the end: who waits for the task's end would wait for ever.

    Raises:
        BusUnavailable: for whatever went wrong between here and the server.
    """
    task = asyncio.current_task()
    asked = task.cancelling() if task is not None else 0
    try:
        async with asyncio.timeout(limit_s):
            answer = await work
    except ResponseError as error:
        raise BusUnavailable(f"Redis refused: {error}") from error
    except Exception as error:
        if not isinstance(error, AWAY) and not _in_client(error):
            raise
        if task is not None and task.cancelling() > asked:
            raise asyncio.CancelledError from error
        raise BusUnavailable(f"Redis away: {type(error).__name__} {error}") from error
    if task is not None and task.cancelling() > asked:
        raise asyncio.CancelledError
    return answer


def _in_client(error: Exception) -> bool:
    """Whether it was raised within redis-py, whatever its type.

    Seen over a Cluster whose primary was killed: one task's failure closes a connection on which another has just
    begun to write, an AttributeError of the library's.
    """
    step = error.__traceback__
    while step is not None:
        if step.tb_frame.f_globals.get("__name__", "").partition(".")[0] == "redis":
            return True
        step = step.tb_next
    return False

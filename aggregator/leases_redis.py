"""Leases on the bus's own Redis. Shell; two short scripts, each atomic on one node."""

from __future__ import annotations

from collections.abc import Awaitable
from typing import Any, TypeVar

from relay.bus import BusUnavailable
from relay.redis_client import COMMAND_LIMIT_S, Place
from relay.redis_servers import Servers

T = TypeVar("T")

# A token is the next number, or the seconds since November 2023 where that is more: it rises even after a failover or a
# restart that lost the count, and stays below 2**31 (an OSC integer) until the year 2091.
ACQUIRE = """
local held = redis.call('GET', KEYS[1])
if held then
  local holder, token = held:match('^(.*)|(%d+)$')
  if holder ~= ARGV[1] then return 0 end
  redis.call('PEXPIRE', KEYS[1], ARGV[2])
  return tonumber(token)
end
local token = math.max(redis.call('INCR', KEYS[2]), redis.call('TIME')[1] - 1700000000)
redis.call('SET', KEYS[2], token)
redis.call('SET', KEYS[1], ARGV[1] .. '|' .. token, 'PX', ARGV[2])
return token
"""
RELEASE = """
local held = redis.call('GET', KEYS[1])
if held and held:match('^(.*)|%d+$') == ARGV[1] then redis.call('DEL', KEYS[1]) end
return 0
"""


class RedisLeaseStore:
    """aggregator.leases.LeaseStore on Redis, for one evening."""

    def __init__(self, place: Place, evening: str) -> None:
        self.servers = Servers(place)
        self._tag = f"ripieno:{{{evening}:lease}}"

    async def acquire(self, name: str, holder: str, ttl_ms: int) -> int:
        """See LeaseStore.acquire."""
        keys = (f"{self._tag}:held:{name}", f"{self._tag}:token:{name}")
        return int(await self._limited(self._eval(ACQUIRE, *keys, words=(holder, str(ttl_ms)))))

    async def release(self, name: str, holder: str) -> None:
        """See LeaseStore.release."""
        await self._limited(self._eval(RELEASE, f"{self._tag}:held:{name}", words=(holder,)))

    async def remember(self, name: str, value: str) -> str:
        """See LeaseStore.remember."""
        key = f"{self._tag}:kept:{name}"
        client = await self._limited(self.servers.of(key.encode()))
        kept: bytes | None = await self._limited(client.get(key))
        if kept is None:  # asked for first: a bus that takes no write must not keep a cold start from what it can read
            await self._limited(client.set(key, value, nx=True))
            kept = await self._limited(client.get(key))
        if kept is None:
            raise BusUnavailable(f"{key} was not kept")
        return kept.decode()

    async def close(self) -> None:
        """Close the connections; idempotent."""
        await self.servers.close()

    async def _eval(self, script: str, *keys: str, words: tuple[str, ...]) -> Any:
        client = await self.servers.of(keys[0].encode())
        return await client.eval(script, len(keys), *keys, *words)

    async def _limited(self, work: Awaitable[T]) -> T:
        return await self.servers.ask(work, COMMAND_LIMIT_S)

"""Has every Redis server of a bus write its append-only file anew, so that trimmed entries are gone from disk. Shell.

Trimming a stream only adds a command to that file: what was trimmed stays in it until it is written anew
(BGREWRITEAOF). Primaries and replicas each have a file. Snapshots (``save``) are not looked at: the bus is run without.
"""

from __future__ import annotations

from relay.bus import BusUnavailable
from relay.redis_client import COMMAND_LIMIT_S, Place, client_for, close_client, limited
from relay.redis_servers import Address, Servers


class Compaction:
    """One rewrite of all servers' files, asked for again and again until :meth:`step` says that it is done."""

    def __init__(self, servers: Servers) -> None:
        self._all, self._place = servers, servers.place
        self._asked: dict[Address, str] = {}  # by server, the run of it that was asked
        self._done: set[Address] = set()

    async def step(self) -> bool:
        """Ask those that have not begun, look at those that have. True when all have ended well since the last True.

        Raises:
            BusUnavailable: with the servers that did not answer, or whose rewriting failed; ask again later.
        """
        found = await self._servers()
        problems = []
        for server in found:
            if server not in self._done:
                try:
                    if await self._one(server):
                        self._done.add(server)
                except BusUnavailable as error:
                    problems.append(f"{server[0]}:{server[1]}: {error}")
        if problems:
            raise BusUnavailable("; ".join(problems))
        if not self._done.issuperset(found):
            return False
        self._asked, self._done = {}, set()
        return True

    async def _one(self, server: Address) -> bool:
        place = self._place
        client = client_for(Place("single", (server,), place.tls, "", place.username, place.password))
        try:
            info = await limited(client.info(), COMMAND_LIMIT_S)
            if not info["aof_enabled"]:
                return True
            if info["aof_rewrite_in_progress"] or info.get("aof_rewrite_scheduled"):
                return False  # an earlier one may have begun before the trimming: ours comes after it
            if self._asked.get(server) != info["run_id"]:
                await limited(client.execute_command("BGREWRITEAOF"), COMMAND_LIMIT_S)
                self._asked[server] = info["run_id"]
                return False
            if info["aof_last_bgrewrite_status"] != "ok":
                del self._asked[server]
                raise BusUnavailable("the append-only file could not be written anew (is the disk full?)")
            return True
        finally:
            await close_client(client)

    async def _servers(self) -> list[Address]:
        """Every server that keeps entries, also those that are known to be down."""
        kinds = {"single": self._single, "sentinel": self._sentinel, "cluster": self._cluster}
        return sorted(set(await limited(kinds[self._place.kind](), 2 * COMMAND_LIMIT_S)))

    async def _single(self) -> list[Address]:
        info = await self._all.client.info("replication")
        replicas = [v for name, v in info.items() if name.startswith("slave") and isinstance(v, dict)]
        return [self._place.hosts[0], *((str(r["ip"]), int(r["port"])) for r in replicas)]

    async def _sentinel(self) -> list[Address]:
        manager, service = self._all.client.connection_pool.sentinel_manager, self._place.service
        primary = await manager.discover_master(service)
        error: BaseException | None = None
        for watcher in manager.sentinels:
            try:
                replicas = await watcher.sentinel_slaves(service)
            except Exception as away:  # the next one may answer; `limited` tells ours from theirs
                error = away
                continue
            return [primary, *((str(r["ip"]), int(r["port"])) for r in replicas)]
        raise error or BusUnavailable("no sentinel to ask")

    async def _cluster(self) -> list[Address]:
        return await self._all.addresses()

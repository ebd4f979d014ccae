"""The bus of a fault campaign: one Redis, a primary and a replica under Sentinel, or a Cluster, and its primary."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.redis_servers import Server, cluster, sentinel, single

KINDS = ("single", "sentinel", "sentinel-two", "cluster")  # Sentinel over one replica, and over two
ACCEPTED = {
    "single": "process",
    "sentinel": "replica",
    "sentinel-two": "replica",
    "cluster": "replica",
}  # what each kind can promise
SERVICE = "ripieno"


@dataclass
class FaultyBus:
    """Servers that hold data (``servers``), sentinels if any, and the address to give to the house."""

    kind: str
    url: str
    servers: list[Server]
    watchers: list[Server] = field(default_factory=list)

    @property
    def accepted(self) -> str:
        return ACCEPTED[self.kind]

    def primary(self, dice: random.Random) -> Server:
        """The server that is written to; in Cluster one of the three. Only while the bus is :meth:`whole`."""
        if self.kind == "single":
            return self.servers[0]
        if self.kind.startswith("sentinel"):
            return next(s for s in self.servers if s.port == self._named())
        return dice.choice([s for s in self.servers if _is_primary(s)])

    def whole(self) -> bool:
        """Every server answers and every primary has its replica: the promise ``replica`` holds from here on."""
        if self.kind == "single":
            return self.servers[0].cli("PING") == "PONG"
        if self.kind.startswith("sentinel"):
            named = next((s for s in self.servers if s.port == self._named()), None)
            others = [s for s in self.servers if s is not named]
            return named is not None and _attached(named, len(others)) and not any(map(_is_primary, others))
        primaries = [s for s in self.servers if _is_primary(s)]
        return (
            len(primaries) == 3
            and all(map(_attached, primaries))
            and all("cluster_state:ok" in s.cli("CLUSTER", "INFO") for s in self.servers)
        )

    def _named(self) -> int:
        answer = self.watchers[0].cli("SENTINEL", "get-master-addr-by-name", SERVICE).split()
        return int(answer[-1]) if answer and answer[-1].isdigit() else 0


def _is_primary(server: Server) -> bool:
    return "role:master" in server.cli("INFO", "replication")


def _attached(server: Server, replicas: int = 1) -> bool:
    said = server.cli("INFO", "replication")
    return "role:master" in said and f"connected_slaves:{replicas}" in said and said.count("state=online") == replicas


@contextlib.contextmanager
def faulty_bus(kind: str, folder: Path) -> Iterator[FaultyBus]:
    """Start the servers of one kind; all end with the context."""
    if kind == "single":
        with single(folder) as server:
            yield FaultyBus(kind, f"redis://127.0.0.1:{server.port}", [server])
    elif kind.startswith("sentinel"):
        with sentinel(folder, SERVICE, 2 if kind == "sentinel-two" else 1, beside=True) as (
            watchers,
            primary,
            replicas,
        ):
            yield FaultyBus(kind, f"redis+sentinel://{_hosts(watchers)}/{SERVICE}", [primary, *replicas], watchers)
    else:
        with cluster(folder) as servers:
            yield FaultyBus(kind, f"redis+cluster://{_hosts(servers)}", servers)


def _hosts(servers: list[Server]) -> str:
    return ",".join(f"127.0.0.1:{s.port}" for s in servers)

"""Which node of a Cluster counts as a key's owner: by the newest view, whoever answers first."""

from __future__ import annotations

from typing import Any

import pytest

from relay.bus import BusUnavailable
from relay.redis_client import Place
from relay.redis_servers import Servers, view

A, B, OLD, NEW = ("127.0.0.1", 1), ("127.0.0.1", 2), ("127.0.0.1", 3), ("127.0.0.1", 4)


Address = tuple[str, int]
Nodes = dict[str, dict[str, Any]]


def nodes(epoch_of_new: int, owner: Address) -> Nodes:
    """As redis-py reads CLUSTER NODES: A and B own a third each, OLD or NEW the last."""
    slots = {A: ["0", "5460"], B: ["5461", "10922"], owner: ["10923", "16383"]}
    epochs = {A: 1, B: 2, OLD: 3, NEW: epoch_of_new}
    return {
        f"{host}:{port}": {
            "epoch": str(epochs[host, port]),
            "slots": [slots[host, port]] if (host, port) in slots else [],
        }
        for host, port in (A, B, OLD, NEW)
    }


class Node:
    """A client to a node that answers with its own view, or does not answer."""

    def __init__(self, said: Nodes | None) -> None:
        self.said, self.asked = said, 0

    async def execute_command(self, *words: str) -> Nodes:
        assert words == ("CLUSTER NODES",)
        self.asked += 1
        if self.said is None:
            raise ConnectionError("gone")
        return self.said

    async def aclose(self) -> None:
        """Nothing is open."""


def servers(
    said: dict[tuple[str, int], dict[str, dict[str, Any]] | None],
) -> tuple[Servers, dict[tuple[str, int], Node]]:
    made = Servers(Place("cluster", tuple(said)))
    clients = {address: Node(answer) for address, answer in said.items()}
    made._nodes.update(clients)
    return made, clients


KEY = b"ripieno:{evening:5}:entries"  # slot 12883: the last third


async def test_an_old_primary_that_woke_up_is_not_believed() -> None:
    """It still owns its slots in its own view; the others have voted for its replica under a newer epoch."""
    stale, fresh = nodes(3, OLD), nodes(4, NEW)
    for order in ((OLD, A, B, NEW), (A, OLD, NEW, B)):
        made, clients = servers({address: stale if address == OLD else fresh for address in order})
        assert await made.of(KEY) is clients[NEW]
        assert clients[OLD] not in await made.primaries()


async def test_who_does_not_answer_is_left_out() -> None:
    made, clients = servers({A: None, B: nodes(3, OLD), OLD: nodes(3, OLD), NEW: None})
    assert await made.of(KEY) is clients[OLD]
    assert await made.addresses() == [A, B, OLD, NEW]  # those that are down too


async def test_after_a_doubt_all_are_asked_again() -> None:
    made, clients = servers({A: nodes(3, OLD), B: nodes(3, OLD), OLD: nodes(3, OLD), NEW: nodes(3, OLD)})
    assert await made.of(KEY) is clients[OLD]
    assert await made.of(KEY) is clients[OLD]
    assert [node.asked for node in clients.values()] == [1, 1, 1, 1]
    for address in (A, B, NEW):
        clients[address].said = nodes(4, NEW)
    assert await made.of(KEY) is clients[OLD]  # nobody has doubted yet
    made.doubt()
    assert await made.of(KEY) is clients[NEW]


async def test_nobody_there_is_a_bus_that_is_away() -> None:
    made, _ = servers({A: None, B: None})
    with pytest.raises(BusUnavailable, match=r"127\.0\.0\.1:1 gone"):
        await made.of(KEY)


async def test_a_slot_without_owner_is_a_bus_that_is_away() -> None:
    said = {
        name: node | {"slots": [] if name.endswith(":3") else node["slots"]} for name, node in nodes(3, OLD).items()
    }
    made, _ = servers({A: said})
    with pytest.raises(BusUnavailable, match="owns slot"):
        await made.of(KEY)


def test_a_node_that_does_not_know_its_address_is_where_it_was_asked() -> None:
    made = view({":6379": {"epoch": "7", "slots": [["0", "16383"]]}}, ("redis", 6379))
    assert made.owner(KEY) == ("redis", 6379)
    assert made.epoch == 7

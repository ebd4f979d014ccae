"""Wrong operator keys are slowed down, by address and over all; a page on loopback answers to loopback's names."""

from __future__ import annotations

from pathlib import Path

import aiohttp
import pytest

from aggregator.monitor import doorkeeper
from aggregator.monitor.doorkeeper import MAX_ADDRESSES, WRONG_AT_ONCE, Doorkeeper, answers_to
from aggregator.monitor.server import Monitor
from relay.seat_plan import generated


def tries(door: Doorkeeper, address: str, seconds: float, step_s: float = 0.01) -> int:
    made = 0
    for n in range(int(seconds / step_s)):
        if door.wait_s(address, n * step_s) == 0.0:
            door.wrong(address, n * step_s)
            made += 1
    return made


def test_a_guesser_gets_a_handful_of_tries() -> None:
    assert WRONG_AT_ONCE <= tries(Doorkeeper(), "192.0.2.1", 100.0) <= WRONG_AT_ONCE + 100 * 0.1 + 1


def test_another_address_is_not_locked_out() -> None:
    door = Doorkeeper()
    tries(door, "192.0.2.1", 10.0)
    assert door.wait_s("192.0.2.1", 9.99) > 0
    assert door.wait_s("192.0.2.2", 10.0) == 0


def test_many_addresses_meet_the_ceiling_and_memory_is_bounded() -> None:
    """A second try of an address that has guessed counts against all: 2,000 addresses gain their first try and no more
    than the ceiling beside it."""
    door, made, addresses = Doorkeeper(), 0, 2000
    for n in 3 * [*range(addresses)]:
        address = f"192.0.{n // 250}.{n % 250}"
        if door.wait_s(address, 0.0) == 0.0:
            door.wrong(address, 0.0)
            made += 1
    assert made <= addresses + doorkeeper.ALL_AT_ONCE
    for n in range(2 * MAX_ADDRESSES):
        door.wrong(f"198.51.{n // 250}.{n % 250}", 0.0)
    assert len(door._by_address) <= MAX_ADDRESSES


def test_guesses_from_many_addresses_do_not_hold_the_operator_off() -> None:
    door = Doorkeeper()
    for now_s in range(60):
        for n in range(100):
            door.wrong(f"192.0.2.{n}", float(now_s))
        assert door.wait_s("198.51.100.7", float(now_s)) == 0.0
        door.right("198.51.100.7")
    assert door.wait_s("192.0.2.1", 60.0) > 0.0
    assert door.wait_s("192.0.2.1", 60.0) <= 60.0 / doorkeeper.WRONG_A_SECOND  # and those wait a bounded time


def test_typing_errors_are_forgotten_with_the_right_key() -> None:
    door = Doorkeeper()
    for _ in range(4):
        door.wrong("192.0.2.1", 0.0)
    door.right("192.0.2.1")
    assert tries(door, "192.0.2.1", 0.1) == WRONG_AT_ONCE


def test_an_ipv6_network_is_one_address() -> None:
    door = Doorkeeper()
    tries(door, "2001:db8::1", 10.0)
    assert door.wait_s("2001:db8::2", 9.99) > 0
    assert door.wait_s("2001:db8:0:1::2", 10.0) == 0


@pytest.mark.parametrize(
    ("host", "listening", "answered"),
    [
        ("127.0.0.1:8080", "127.0.0.1", True),
        ("localhost:8080", "127.0.0.1", True),
        ("localhost", "127.0.0.1", True),
        ("[::1]:8080", "::1", True),
        ("hostile.example:8080", "127.0.0.1", False),
        ("", "127.0.0.1", False),
        ("hall.example:8080", "0.0.0.0", True),
    ],
)
def test_names(host: str, listening: str, answered: bool) -> None:
    assert answers_to(host, listening) is answered


async def test_the_page_keeps_the_door() -> None:
    """Over real HTTP: a foreign name is turned away, the sixth wrong key has to wait, the right one works before and
    clears the address; then its guesses hold it off, and those of others do not."""
    moved: list[str] = []

    async def move(part: str) -> None:
        moved.append(part)

    monitor = Monitor(generated(4), operator_token="a-good-operator-key", on_part=move, clock=lambda: 1000.0)
    port = await monitor.start("127.0.0.1", 0)
    url = f"http://127.0.0.1:{port}"
    try:
        async with aiohttp.ClientSession() as session:
            async with session.get(f"{url}/api/state", headers={"Host": f"hostile.example:{port}"}) as answer:
                assert answer.status == 421
            statuses = []
            for key in ["wrong"] * 4 + ["a-good-operator-key"] + ["wrong"] * 6 + ["a-good-operator-key"]:
                head = {"Authorization": f"Bearer {key}"}
                async with session.post(f"{url}/api/part", json={"part": "piece"}, headers=head) as answer:
                    statuses.append(answer.status)
            assert statuses == [401] * 4 + [200] + [401] * 5 + [429] * 2
            assert moved == ["piece"]
    finally:
        await monitor.close()


@pytest.mark.parametrize(
    ("host", "answered"),
    [
        ("localhost:8080", True),
        ("127.0.0.1:8080", True),
        ("192.0.2.7:8080", True),
        ("[2001:db8::7]:8080", True),
        ("Monitor:8080", True),
        ("hostile.example:8080", False),
        ("localhost.hostile.example", False),
        ("", False),
    ],
)
def test_names_of_a_page_for_others(host: str, answered: bool) -> None:
    """A page in a container listens on all addresses and is published on this machine: any name would reach it."""
    assert answers_to(host, "0.0.0.0", ["monitor"]) is answered
    assert answers_to(host, "0.0.0.0")


async def test_a_page_with_names_turns_a_foreign_one_away() -> None:
    monitor = Monitor(generated(4), names=["monitor"])
    port = await monitor.start("0.0.0.0", 0)
    try:
        async with aiohttp.ClientSession() as session:
            for host, status in (("monitor", 200), ("127.0.0.1", 200), ("hostile.example", 421)):
                url = f"http://127.0.0.1:{port}/api/plan"
                async with session.get(url, headers={"Host": f"{host}:{port}"}) as answer:
                    assert answer.status == status, host
    finally:
        await monitor.close()


def test_the_containers_page_has_names() -> None:
    compose = (Path(__file__).resolve().parents[2] / "compose.yaml").read_text()
    assert "RIPIENO_MONITOR_NAMES:" in compose

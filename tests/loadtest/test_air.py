from __future__ import annotations

import asyncio
import random

import pytest

from loadtest import air, wire_client
from loadtest.people import Traits
from loadtest.physiology import Audience
from loadtest.programme import demo
from loadtest.scenario import Air
from loadtest.swarm import Swarm
from relay.seat_card import issue, pseudonym
from tests.loadtest.helper_relay import small_relay

UPGRADE = wire_client.upgrade("x", "/phone")


def sent(count: int) -> list[bytes]:
    hello = wire_client.message(wire_client.TEXT, b'{"seat":"CARD"}')
    return [hello, *(wire_client.message(wire_client.BINARY, bytes([n % 256]) * (80 + n % 90)) for n in range(count))]


@pytest.mark.parametrize("step", [1, 7, 1000, 10**9])
def test_nothing_is_lost_without_a_fault(step: int) -> None:
    raw = UPGRADE + b"".join(sent(50))
    filter_ = air.Filter(0.0, frozenset(), random.Random(1))
    assert b"".join(filter_.pass_on(raw[a : a + step]) for a in range(0, len(raw), step)) == raw


def test_a_share_of_the_packets_vanishes_whole() -> None:
    messages = sent(5000)
    filter_ = air.Filter(0.01, frozenset(), random.Random(1))
    through = filter_.pass_on(UPGRADE + b"".join(messages))
    rest, left = through.removeprefix(UPGRADE), 0
    for message in messages:
        if rest.startswith(message):
            rest = rest[len(message) :]
            left += 1
    assert rest == b""
    assert 0.98 < left / len(messages) < 0.998


def test_a_card_is_swallowed() -> None:
    messages = sent(5)
    swallowed = air.Filter(0.0, frozenset([b"CARD"]), random.Random(1)).pass_on(UPGRADE + b"".join(messages))
    assert swallowed == UPGRADE + messages[0]
    other = air.Filter(0.0, frozenset([b"OTHER"]), random.Random(1)).pass_on(UPGRADE + b"".join(messages))
    assert other == UPGRADE + b"".join(messages)


async def through_air(settings: Air, swallowed: int = 0) -> tuple[int, set[int]]:
    """12 phones, 8 packets each, through the air: packets kept by the relay, and rows whose packets arrived."""
    async with small_relay() as relay:
        cards = [issue(relay.house.keyring, relay.house.evening, seat + 1) for seat in range(12)]
        server = await air.serve(settings, cards[:swallowed], "127.0.0.1", relay.port)
        async with server:
            url = f"ws://127.0.0.1:{server.sockets[0].getsockname()[1]}/phone"
            audience = Audience(12, 2, demo(), traits=Traits(leak_share=0.0))
            swarm = Swarm(url, cards, audience, packets_a_second=10)
            assert await swarm.join(spread_s=0.1) == 12
            await swarm.run(0.8)
            expected = (12 - swallowed) * 8
            if settings.drop_share == 0:
                await relay.holds(expected)
            await swarm.close()
        listeners = [pseudonym(relay.house.keyring, relay.house.evening, card) for card in cards]
        return len(relay.kept), {listeners.index(listener) for listener, _ in relay.kept}


async def test_delay_loses_nothing() -> None:
    assert (await through_air(Air(delay_ms=50.0, jitter_ms=20.0, stalls_a_minute=30.0)))[0] == 96


async def test_swallowed_phones_join_but_their_packets_do_not_arrive() -> None:
    kept, rows = await through_air(Air(swallow_section="x"), swallowed=4)
    assert kept == 64
    assert rows == set(range(4, 12))


async def test_a_house_that_is_not_there_ends_the_connection() -> None:
    server = await air.serve(Air(delay_ms=1.0), [], "127.0.0.1", 1)
    async with server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.sockets[0].getsockname()[1])
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await reader.readexactly(1)
        writer.close()


def test_clear_air_needs_no_detour() -> None:
    assert Air().clear
    assert not Air(delay_ms=1.0).clear
    assert not Air(swallow_section="stalls").clear

"""The swarm over real websockets, against an independent server around the real session table."""

from __future__ import annotations

import numpy as np
import pytest

from loadtest.people import Traits
from loadtest.physiology import Audience
from loadtest.programme import demo, still
from loadtest.swarm import Swarm
from relay.seat_card import issue, pseudonym
from relay.wire import decode
from tests.loadtest.helper_relay import SmallRelay, small_relay

CLEAN = Traits(leak_share=0.0)


def cards(relay: SmallRelay, count: int) -> list[str]:
    return [issue(relay.house.keyring, relay.house.evening, seat + 1) for seat in range(count)]


def made(relay: SmallRelay, count: int) -> Swarm:
    return Swarm(relay.url, cards(relay, count), Audience(count, 2, demo(), traits=CLEAN), packets_a_second=10)


async def test_every_packet_arrives_once_with_its_samples() -> None:
    async with small_relay() as relay:
        swarm = made(relay, 12)
        assert await swarm.join(spread_s=0.1) == 12
        seen = await swarm.run(0.8)
        await relay.holds(12 * 8)
        await swarm.close()
    assert (seen.packets, relay.repeats, seen.connect_failures) == (96, 0, 0)
    house = Audience(12, 2, demo(), traits=CLEAN)
    truth = house.signals(0.0, 0.8).pulse
    for row, token in enumerate(cards(relay, 12)):
        listener = pseudonym(relay.house.keyring, relay.house.evening, token)
        got = [decode(relay.kept[(listener, n)]) for n in range(8)]
        np.testing.assert_array_equal(np.concatenate([p.blocks[0].samples for p in got]), truth[row])
        steps = np.diff([p.time_us for p in got])
        assert np.abs(steps - 100_000).max() <= 20  # crystals within 40 ppm


async def test_cut_phones_come_back_and_lose_nothing() -> None:
    async with small_relay() as relay:
        swarm = made(relay, 10)
        await swarm.join(spread_s=0.05)
        await swarm.run(0.4)
        await relay.cut_all()
        seen = await swarm.run(1.5)
        await relay.holds(10 * 19)
        await swarm.close()
    assert seen.cuts >= 10
    assert seen.welcomed == 10
    assert len(relay.kept) == 190


async def test_a_lost_bus_is_sent_the_ring_again() -> None:
    async with small_relay() as relay:
        swarm = made(relay, 4)
        await swarm.join(spread_s=0.05)
        await swarm.run(0.4)
        before = len(relay.kept)
        relay.kept.clear()
        await relay.lose()
        await swarm.run(0.4)
        await relay.holds(4 * 8)
        await swarm.close()
    assert before >= 12
    assert {n for _, n in relay.kept} == set(range(8))


async def test_consent_is_asked_again_when_the_text_changed() -> None:
    async with small_relay(consent_text="2") as relay:
        swarm = made(relay, 3)
        await swarm.join(spread_s=0.05)
        await swarm.run(0.2)
        await relay.holds(6)
        assert relay.streaming() == 3
        await swarm.close()


async def test_a_refused_card_is_not_tried_again() -> None:
    async with small_relay() as relay:
        swarm = Swarm(relay.url, ["0" * 16] * 2, Audience(2, 2, still(10.0)))
        await swarm.join(spread_s=0.0, timeout_s=0.5)
        assert swarm.statistics().refused == 2
        assert swarm.statistics().errors == {"seat": 2}
        await swarm.close()


async def test_phones_that_are_away_leave_and_return(monkeypatch: pytest.MonkeyPatch) -> None:
    async with small_relay() as relay:
        audience = Audience(6, 2, still(60.0), traits=CLEAN)
        there = np.ones(6, np.bool_)
        monkeypatch.setattr(audience, "online", lambda _t_s: there)
        swarm = Swarm(relay.url, cards(relay, 6), audience, packets_a_second=10)
        await swarm.join(spread_s=0.05)
        await swarm.run(0.2)
        there = np.arange(6) >= 3
        await swarm.run(0.2)
        assert swarm.statistics().connected == 3
        there = np.ones(6, np.bool_)
        await swarm.run(1.5)
        await relay.holds(6 * 19)
        await swarm.close()
    assert len(relay.kept) == 114


def test_settings_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="tokens"):
        Swarm("ws://127.0.0.1:1", ["x"], Audience(2, 1, demo()))
    with pytest.raises(ValueError, match="packets_a_second"):
        Swarm("ws://127.0.0.1:1", ["x"], Audience(1, 1, demo()), packets_a_second=0)

"""Aggregators that share a house: equal bits to one that computes all, whoever joins, leaves, dies or is stopped."""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from aggregator import saved
from aggregator.engine import Engine
from aggregator.leadership import Leased
from aggregator.merger import Merger
from aggregator.parts_wire import PART, decode_part, read_head
from aggregator.portion_files import file_of
from aggregator.portions import shards_of
from relay.entries import Erase, encode_control
from tests.aggregator.helper_sharing import BEGIN_S, HZ, PLAN, SETTINGS, One, SharedHouse, differences, play
from tests.aggregator.helper_signals import Phone

pytestmark = pytest.mark.slow  # half an evening's minute each, in virtual time
TAKEN_OVER_S = 2.0  # issue: a take-over by who is warm


def assert_replays(house: SharedHouse) -> None:
    """What the leads sent is what the bus's entries say, the lists of missing shards among them."""
    assert len(house.sent) > 100
    ks = [s.k for s in house.sent]
    assert ks == sorted(set(ks))
    replayed = house.replay(ks[-1])
    for snapshot in house.sent:
        assert not differences(snapshot, replayed[snapshot.k]), snapshot.k


async def warm(house: SharedHouse, *names: str) -> list[One]:
    """So many aggregators; every portion owned."""
    made = [house.start(name) for name in names]
    await asyncio.sleep(BEGIN_S - 1.0)
    assert all(len(who) == 1 for who in house.owners().values()), house.owners()
    return made


async def lead_and_other(house: SharedHouse, for_s: float) -> tuple[One, One]:
    """Two aggregators that have shared the house for so long."""
    a, b = await warm(house, "a", "b")
    await asyncio.sleep(for_s)
    lead = house.lead()
    return lead, (b if lead is a else a)


async def when(true: Callable[[], bool]) -> None:
    """As soon as it is, within two seconds."""
    for _ in range(200):
        if true():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it never was")


@pytest.mark.parametrize(("of", "count"), [(2, 1), (5, 2), (3, 3)])
def test_shared_as_computed_by_one(tmp_path: Path, of: int, count: int) -> None:
    async def scene() -> None:
        house = SharedHouse(of, tmp_path)
        house.phones(30.0)
        made = await warm(house, *"abc"[:count])
        await asyncio.sleep(30.0)
        shares = sorted(len(one.service.owned()) for one in made)
        assert shares[-1] - shares[0] <= 1
        assert sum(shares) == of
        assert all(len(one.service.portions.engines) >= min(2 * of // count, of) for one in made)
        whole = house.whole(house.sent[-1].k)
        sure = [s for s in house.sent if s.house.counted]
        assert len(sure) > 20
        assert all(not s.missing for s in sure)
        for snapshot in sure:
            assert not differences(snapshot, whole[snapshot.k]), snapshot.k
        assert_replays(house)

    play(scene)


def test_an_owner_is_killed_and_its_follower_takes_over(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.phones(60.0)
        lead, other = await lead_and_other(house, 22.0)
        (lost,) = other.service.owned()
        (kept,) = lead.service.owned()
        before = house.sent[-1]
        house.kill(other)
        await asyncio.sleep(TAKEN_OVER_S)
        assert house.owners() == {lost: [lead.name], kept: [lead.name]}
        await asyncio.sleep(1.0)
        during = [s for s in house.sent if s.k > before.k and s.missing]
        shards = tuple(range(lost * 8, lost * 8 + 8))
        assert during
        assert all(s.missing == shards for s in during)
        assert during[-1].k - during[0].k + 1 == len(during)  # one stretch, then whole again
        assert len(during) <= TAKEN_OVER_S * HZ
        assert house.sent[-1].missing == ()
        assert (during[-1].state != 0).sum() == (before.state != 0).sum()  # held, not gone
        assert any("Partial: shards" in notice for notice in during[0].notices)
        first, second = house.lists()[-2:]
        assert (first.missing, second.missing) == (shards, ())
        assert (first.k, second.k) == (during[0].k, during[-1].k + 1)
        await asyncio.sleep(5.0)
        assert_replays(house)

    play(scene)


def test_the_lead_that_owns_is_killed(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(3, tmp_path)
        house.phones(60.0)
        await warm(house, "a", "b", "c")
        await asyncio.sleep(22.0)
        epoch, last = house.sent[-1].epoch, house.sent[-1].k
        house.kill(house.lead())
        await asyncio.sleep(TAKEN_OVER_S)
        assert all(len(who) == 1 for who in house.owners().values())
        await asyncio.sleep(6.0)
        after = [s for s in house.sent if s.epoch > epoch]
        assert after
        assert after[0].k - last <= TAKEN_OVER_S * HZ
        assert house.sent[-1].missing == ()
        shares = [len(one.service.owned()) for one in house.every.values() if not one.host.dead]
        assert sorted(shares) == [1, 2]

    play(scene)


def test_one_joins_and_takes_its_share_without_a_gap(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(4, tmp_path)
        house.phones(60.0)
        a, b = await warm(house, "a", "b")
        await asyncio.sleep(22.0)
        at = house.sent[-1].k
        c = house.start("c")
        await asyncio.sleep(10.0)
        assert sorted(len(o.service.owned()) for o in (a, b, c)) == [1, 1, 2]
        assert c.service.share.built >= 1
        assert c.service.share.taken == len(c.service.owned())
        assert all(not s.missing for s in house.sent if s.k > at)
        assert [s.k for s in house.sent if s.k > at] == list(range(at + 1, house.sent[-1].k + 1))
        computed = [len(o.service.portions.engines) for o in (a, b, c)]
        assert sum(computed) == 2 * house.of  # each twice: who had too many has dropped them
        assert_replays(house)

    play(scene)


def test_a_lease_that_runs_out_while_a_tick_is_merged(tmp_path: Path) -> None:
    """The lease is looked at just before the sending: a process stopped in between has lost it when it wakes."""

    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        (a,) = await warm(house, "a")
        assert house.sent
        leadership, publish = cast("Leased", a.service.leadership), a.service.merger.publish

        def slowly(*args: Any, **options: Any) -> Any:
            leadership.lease.answered(0, 0.0)
            return publish(*args, **options)

        a.service.merger.publish = slowly  # type: ignore[method-assign]
        at, shown = len(house.sent), len(a.shown)
        await asyncio.sleep(3.0)
        assert len(house.sent) == at
        assert len(a.shown) > shown

    play(scene)


def test_who_takes_a_portion_again_tells_its_linkage_at_once(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        (a,) = await warm(house, "a")
        await when(lambda: a.service.portions.k % HZ == 1)  # not when it is told anyway
        at = len(a.channel.sent)
        a.service.ownership.released(0)
        await when(lambda: 0 in a.service.owned())
        await asyncio.sleep(0.2)
        heads = [(read_head(raw), raw) for raw in a.channel.sent[at:]]
        told = next(decode_part(raw, PLAN) for head, raw in heads if head.kind == PART and head.portion == 0)
        assert told.head.k % HZ != 0
        assert told.links is not None

    play(scene)


def test_one_leaves_without_a_gap(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(3, tmp_path)
        house.phones(60.0)
        await warm(house, "a", "b", "c")
        await asyncio.sleep(22.0)
        at = house.sent[-1].k
        lead = house.lead()
        leaver = next(one for one in house.every.values() if one is not lead)
        await house.stop(leaver)
        await asyncio.sleep(8.0)
        assert all(not s.missing for s in house.sent if s.k > at)
        assert [s.k for s in house.sent if s.k > at] == list(range(at + 1, house.sent[-1].k + 1))
        assert all(len(one.service.portions.engines) == 3 for one in house.every.values())
        assert_replays(house)

    play(scene)


def test_an_owner_stopped_and_woken_is_refused(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.phones(60.0)
        lead, other = await lead_and_other(house, 22.0)
        (lost,) = other.service.owned()
        token = other.service.owned()[lost]
        other.host.pause()
        await asyncio.sleep(3.0)
        assert house.owners()[lost] == [lead.name]
        newer = lead.service.owned()[lost]
        assert newer > token
        told = len(other.channel.sent)
        other.host.wake()
        await asyncio.sleep(8.0)
        heads = [read_head(raw) for raw in other.channel.sent[told:]]
        stale = [h for h in heads if h.kind == PART and h.token <= token]
        assert len(stale) <= 1
        assert lead.service.collector.counters.parts_fenced == len(stale)
        assert all(len(who) == 1 for who in house.owners().values())
        assert sorted(len(o.service.owned()) for o in (lead, other)) == [1, 1]  # its share came back to it
        assert house.sent[-1].missing == ()
        assert_replays(house)

    play(scene)


def test_a_late_part_under_an_old_token_is_refused(tmp_path: Path) -> None:
    """What an owner had handed to its network before it was stopped arrives after the take-over."""

    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.phones(60.0)
        lead, other = await lead_and_other(house, 4.0)
        old = next(raw for raw in reversed(other.channel.sent) if read_head(raw).kind == PART)
        house.kill(other)
        await asyncio.sleep(3.0)
        lead.channel.came(old)
        await asyncio.sleep(0.5)
        assert lead.service.collector.counters.parts_fenced == 1

    play(scene)


def test_all_start_again_from_their_files(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.phones(70.0)
        made = await warm(house, "a", "b")
        await asyncio.sleep(27.0)
        for one in made:
            house.kill(one)
        await asyncio.sleep(1.0)
        house.start("a2"), house.start("b2")
        await asyncio.sleep(15.0)
        whole = house.whole(house.sent[-1].k)
        new, old = house.sent[-1], whole[house.sent[-1].k]
        assert new.house.counted == old.house.counted > 10
        assert new.states.tolist() == old.states.tolist()

    play(scene)


def test_a_page_of_its_own_computes_nothing_and_shows_the_same(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.phones(40.0)
        await warm(house, "a", "b")
        page = house.start("page", watch=True)
        await asyncio.sleep(27.0)
        assert not page.service.portions.engines
        assert not page.sent
        sent = {s.k: s for s in house.sent}
        shown = [s for s in page.shown[-20:] if s.k in sent]
        assert shown
        assert all(not differences(s, sent[s.k]) for s in shown)

    play(scene)


def test_the_bus_is_away_for_three_seconds(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.phones(60.0)
        await warm(house, "a", "b")
        await asyncio.sleep(22.0)
        house.server.away_until_s = asyncio.get_running_loop().time() + 3.0
        await asyncio.sleep(6.0)
        assert all(len(who) == 1 for who in house.owners().values())
        assert house.sent[-1].missing == ()
        assert_replays(house)

    play(scene)


def test_another_number_of_owners_is_not_heard(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        await warm(house, "a")
        house.of = 3
        stranger = house.start("stranger", watch=True)
        await asyncio.sleep(1.0)
        assert stranger.service.share.other_house > 0
        assert stranger.service.last is None

    play(scene)


def test_who_is_erased_leaves_every_portions_files(tmp_path: Path) -> None:
    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        made = await warm(house, "a", "b")
        phone = Phone(5, seat=3)  # of shard 5, the first portion
        for event in phone.controls():
            house.server.append(phone.shard, [encode_control(event)])
        await asyncio.sleep(6.0)
        for portion in (0, 1):  # of an aggregator that is gone
            kept = file_of(tmp_path, house.owners()[portion][0], portion, 2).read_bytes()
            file_of(tmp_path, "old", portion, 2).write_bytes(kept)
        for stream in (phone.shard, house.server.shards):
            house.server.append(stream, [encode_control(Erase(phone.listener))])
        await asyncio.sleep(4.0)
        left = {path.name: saved.unpack(path.read_bytes()) for path in sorted(tmp_path.glob("*.portion"))}  # noqa: ASYNC240
        assert not any(name.startswith("old.") for name in left)
        for name, kept_now in left.items():
            engine = Engine.restore(kept_now.image, PLAN, SETTINGS, epoch=0)
            assert phone.listener in engine.listeners.tombstones, name
        await asyncio.sleep(40.0)
        assert sum(one.service.traces.cleared for one in made) >= 2  # each portion's owner
        assert all(e.stamp.ms > house.server.now_ms() - 60_000 for e in house.server.on_disk[phone.shard])
        assert not house.server.live[phone.shard]

    play(scene)


def test_what_an_aggregator_that_is_gone_left_of_a_portion_is_removed(tmp_path: Path) -> None:
    """Its published values are of all seats, also of who has withdrawn in another portion; another evening's stays."""

    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        await warm(house, "a")
        await asyncio.sleep(6.0)
        left = [file_of(tmp_path, "old", portion, 2) for portion in (0, 1)]
        for portion, path in enumerate(left):
            path.write_bytes(file_of(tmp_path, "a", portion, 2).read_bytes())
        other = file_of(tmp_path, "other", 0, 2)
        engine = Engine(PLAN, SETTINGS, owned=shards_of(0, 2), t0_ms=house.t0_ms - 1000, tick_hz=HZ)
        other.write_bytes(saved.pack(engine, Merger(PLAN, tick_hz=HZ)))
        await asyncio.sleep(20.0)
        assert all(path.exists() for path in left)  # a follower may be building from it
        await asyncio.sleep(50.0)
        assert not any(path.exists() for path in left)
        assert other.exists()
        assert file_of(tmp_path, "a", 0, 2).exists()

    play(scene)


def test_files_are_written_while_the_bus_cannot_clear_its_own(tmp_path: Path) -> None:
    """A server that is down keeps a clearing under way for minutes; checkpoints and trimming go on."""

    async def scene() -> None:
        house = SharedHouse(2, tmp_path)
        house.server.compact = lambda: False  # type: ignore[method-assign]
        (a,) = await warm(house, "a")
        for stream in (5, house.server.shards):
            house.server.append(stream, [encode_control(Erase(5))])
        await asyncio.sleep(40.0)
        files = a.service.files
        assert files is not None
        assert any(kept.compacting is not None and not kept.compacting.done() for kept in files._kept.values())
        before = files.written
        await asyncio.sleep(12.0)  # every 4 s, two portions
        assert files.written - before >= 4

    play(scene)


async def happening(house: SharedHouse, dice: random.Random, names: Iterator[str]) -> None:
    """One thing at random; nothing where it would end the house."""
    there = [o for o in house.every.values() if not o.host.dead and not o.host.paused]
    stopped = [o for o in house.every.values() if o.host.paused]
    what = dice.choice(("kill", "pause", "wake", "join", "leave", "away"))
    if what == "kill" and len(there) > 1:
        house.kill(dice.choice(there))
    elif what == "pause" and len(there) > 1:
        dice.choice(there).host.pause()
    elif what == "wake" and stopped:
        dice.choice(stopped).host.wake()
    elif what == "join" and len(there) < 4:
        house.start(next(names))
    elif what == "leave" and len(there) > 1:
        await house.stop(dice.choice(there))
    elif what == "away":
        house.server.away_until_s = asyncio.get_running_loop().time() + dice.uniform(0.1, 3.0)


@pytest.mark.parametrize("seed", range(3))
def test_anything_happens(tmp_path: Path, seed: int) -> None:
    """Kills, stops, joins, leaves, a bus that is away, at random: one owner at the most, and in the end all whole."""

    async def scene() -> None:
        dice = random.Random(seed)
        of = dice.choice((2, 3, 5))
        house = SharedHouse(of, tmp_path, seed)
        house.phones(70.0)
        await warm(house, *"abc"[: dice.choice((2, 3))])
        names = iter("defghijklmnop")
        for _ in range(8):
            await happening(house, dice, names)
            for _ in range(int(dice.uniform(1.0, 7.0) / 0.05)):
                await asyncio.sleep(0.05)
                assert all(len(who) <= 1 for who in house.owners().values())
        for one in house.every.values():
            if one.host.paused:
                one.host.wake()
        await asyncio.sleep(12.0)
        assert all(len(who) == 1 for who in house.owners().values())
        assert house.sent[-1].missing == ()
        epoch = -1
        ends: dict[int, int] = {}
        for snapshot in house.sent:
            assert snapshot.epoch >= epoch  # nobody sends after the next lead has begun
            epoch = snapshot.epoch
            assert snapshot.k > ends.get(epoch, -1)
            ends[epoch] = snapshot.k
        alive = [o for o in house.every.values() if not o.host.dead]
        computed = Counter(p for o in alive for p in o.service.portions.engines)
        assert all(computed[p] == min(2, len(alive)) for p in range(of)), computed
        assert house.sent[-1].states.tolist() == house.whole(house.sent[-1].k)[house.sent[-1].k].states.tolist()

    play(scene)

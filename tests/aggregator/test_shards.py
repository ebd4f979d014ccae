"""Who owns and who follows which portion: shared out evenly, the same for all, and as little moved as can be."""

from __future__ import annotations

import itertools
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.leases import TTL_MS
from aggregator.portions import shards_of
from aggregator.shards import MAX_PEERS, SETTLED_MS, Ownership, Presence, Wishes, assignment
from relay.bus import SHARDS


@st.composite
def worlds(draw: st.DrawFn) -> tuple[int, list[Presence]]:
    """Any peers with any claims, also two claims of one portion, and anything warm."""
    of = draw(st.integers(1, SHARDS))
    names = draw(st.lists(st.text(min_size=1, max_size=3), min_size=1, max_size=7, unique=True))
    portions = st.integers(0, of - 1)
    peers = [
        Presence(
            name, draw(st.dictionaries(portions, st.integers(1, 9), max_size=4)),
            frozenset(draw(st.sets(portions))), frozenset(draw(st.sets(portions, max_size=2))),
        )
        for name in names
    ]  # fmt: skip
    return of, peers


@pytest.mark.parametrize("of", range(1, SHARDS + 1))
def test_portions_are_all_shards_once(of: int) -> None:
    assert [s for p in range(of) for s in shards_of(p, of)] == list(range(SHARDS))
    sizes = {len(shards_of(p, of)) for p in range(of)}
    assert max(sizes) - min(sizes) <= 1
    for wrong in ((of, of), (-1, of), (0, 0), (0, SHARDS + 1)):
        with pytest.raises(ValueError, match="portion"):
            shards_of(*wrong)


@given(worlds())
def test_shared_out_evenly(world: tuple[int, list[Presence]]) -> None:
    of, peers = world
    made = assignment(of, peers)
    names = [p.name for p in peers]
    owned = Counter(made.owner)
    assert sum(owned[n] for n in names) == of
    assert max(owned[n] for n in names) - min(owned[n] for n in names) <= 1
    if len(peers) > 1:
        followed = Counter(made.follower)
        assert sum(followed[n] for n in names) == of
        assert all(a != b for a, b in zip(made.owner, made.follower, strict=True))
        for most, least in itertools.permutations(names, 2):  # nobody could take one from who follows two more
            if followed[most] - followed[least] >= 2:
                theirs = [p for p in range(of) if made.follower[p] == most]
                assert all(made.owner[p] == least for p in theirs)
    else:
        assert set(made.follower) == {""}


@given(worlds(), st.randoms(use_true_random=False))
def test_the_same_for_everybody(world: tuple[int, list[Presence]], dice: object) -> None:
    of, peers = world
    mixed = list(peers)
    dice.shuffle(mixed)  # type: ignore[attr-defined]
    assert assignment(of, mixed) == assignment(of, peers)


@given(worlds())
def test_what_was_assigned_stays(world: tuple[int, list[Presence]]) -> None:
    """Once everybody owns and computes what they are to, nothing moves."""
    of, peers = world
    made = assignment(of, peers)
    then = [
        Presence(p.name, {i: 5 for i in range(of) if made.owner[i] == p.name}, made.of(p.name)) for p in peers
    ]  # fmt: skip
    assert assignment(of, then) == made


def test_nobody_there() -> None:
    assert assignment(2, []).owner == ("", "")


def test_the_follower_inherits() -> None:
    owners = [Presence(n, {i: 1}, frozenset({i, (i + 1) % 3})) for i, n in enumerate("abc")]
    assert assignment(3, owners[:2]).owner == ("a", "b", "b")  # b followed c's


def test_of_two_claims_the_newer_lease_counts() -> None:
    peers = [Presence("a", {0: 7}, frozenset({0})), Presence("b", {0: 8}, frozenset({0}))]
    assert assignment(1, peers).owner == ("b",)


def owner(name: str, of: int, portions: tuple[int, ...], *, now_ms: float = 0.0) -> Ownership:
    """One that has these portions warm and owned since before it settled."""
    made = Ownership(name, of, now_ms - SETTLED_MS)
    made.warm |= set(portions)
    for i in portions:
        assert made.answered(i, 5, now_ms)
    return made


def test_alone_it_builds_all_once_settled_and_asks_once_warm() -> None:
    one = Ownership("a", 2, 0.0)
    assert one.wishes(SETTLED_MS - 1.0) == Wishes()
    assert one.wishes(float(SETTLED_MS)).build == (0, 1)
    one.building |= {0, 1}
    assert one.wishes(SETTLED_MS + 1.0) == Wishes()
    one.building.clear()
    one.warm |= {0, 1}
    assert one.wishes(SETTLED_MS + 2.0) == Wishes(ask=(0, 1))


def test_it_hands_on_to_an_heir_that_is_warm_and_no_sooner() -> None:
    one, now = owner("a", 2, (0, 1)), 10.0
    one.hear(Presence("b"), now)
    assert one.wishes(now) == Wishes(ask=(0, 1))  # renewed; nobody is settled with b yet
    for now in range(10, SETTLED_MS + 200, 200):
        one.hear(Presence("b"), now)
        one.answered(0, 5, now)
        one.answered(1, 5, now)
        one.wishes(now)
    assert one.wishes(now).release == ()  # b computes nothing
    one.hear(Presence("b", {}, frozenset({1})), now)
    assert one.wishes(now) == Wishes(ask=(0,), release=(1,))
    one.released(1)
    assert one.owned(now) == {0: 5}


def test_a_lease_that_was_not_renewed_is_not_owned() -> None:
    one = owner("a", 1, (0,))
    assert one.owned(TTL_MS - 200.0) == {0: 5}
    assert one.owned(float(TTL_MS)) == {}


def test_who_is_not_heard_for_a_lease_is_gone() -> None:
    one = owner("a", 2, (0,))
    one.warm.add(1)
    one.hear(Presence("b", {1: 6}, frozenset({0, 1})), 0.0)
    assert 1 not in one.wishes(TTL_MS - 1.0).ask
    assert 1 in one.wishes(float(TTL_MS)).ask


def test_a_farewell_counts_at_once() -> None:
    one = owner("a", 2, (0,))
    one.warm.add(1)
    one.hear(Presence("b", {1: 6}, frozenset({0, 1})), 0.0)
    one.leave("b")
    assert one.wishes(1.0).ask == (0, 1)


def test_it_drops_only_what_both_others_have_warm() -> None:
    for b in (Presence("b", {1: 1}, frozenset({1}), frozenset({0})), Presence("b", {1: 1}, frozenset({0, 1}))):
        one, now = Ownership("c", 2, 0.0), 5000.0
        one.warm |= {0, 1}
        for now in (5000.0, 5000.0 + SETTLED_MS):
            one.hear(Presence("a", {0: 1}, frozenset({0})), now)
            one.hear(b, now)
            made = one.wishes(now)
        assert made.drop == ((0,) if 0 in b.warm else ())  # b is to follow a's portion, c itself b's


def test_who_is_late_keeps_nothing_and_is_warm_in_nothing() -> None:
    one = owner("a", 2, (0,))
    one.warm.add(1)
    one.late = True
    assert one.wishes(1.0) == Wishes()
    assert one.word(1.0) == Presence("a", {0: 5}, frozenset(), frozenset({0, 1}))
    one.late = False
    assert one.wishes(2.0).ask == (0, 1)


def test_a_page_of_its_own_wishes_nothing() -> None:
    one = Ownership("page", 2, 0.0, takes_part=False)
    assert one.wishes(1e6) == Wishes()


def test_names_are_bounded() -> None:
    one = Ownership("a", 1, 0.0)
    for i in range(2 * MAX_PEERS):
        one.hear(Presence(f"n{i}"), 0.0)
    assert len(one.peers(0.0)) == MAX_PEERS

"""Who computes which portion of the shards, and who owns it: rules over what is known at a time. Pure.

Safety comes from leases alone: a portion's lease (``portion:I/N``, aggregator.leases) has at most one holder, and its
token rises with every change of holder, so that what a late writer says can be refused. Everything else is advice. Each
aggregator tells the others five times a second its name, what it owns and what it computes warm (:class:`Presence`);
whoever was not heard for as long as a lease lasts is taken to be gone. From the same words everybody works out the same
:func:`assignment`:

- *owners*: whoever owns keeps, up to a fair share (N portions over M aggregators: the floor or the ceiling of N / M);
  what is free, or beyond a share, goes to who computes it already and has room, then to who has least;
- *followers*: one other aggregator a portion, whoever computes it already, shared out evenly.

:class:`Ownership` makes wishes of it. One asks for the lease of a portion that one is to own as soon as it is warm. One
who owns more than its share hands on: it releases a portion when the heir says that it is warm, and says so at once.
Where an owner dies its portion falls to the follower. Building a portion up (from the newest checkpoint, by reading on)
and dropping one wait until those present have been the same for two seconds, and nobody drops what the others do not
have warm yet. With one aggregator alone everything is its own, and with two each follows the other.

Words differ for moments between aggregators that have heard different things; then two ask, one gets the lease.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from aggregator.leases import RENEW_MS, TTL_MS, Lease

SETTLED_MS = 2000  # two lost words and a slow start must not move whole portions
MAX_PEERS = 64  # words of more names than that are not kept


@dataclass(frozen=True, slots=True)
class Presence:
    """One aggregator's word: portions it owns with the lease's token, computes, and is building up."""

    name: str
    owned: dict[int, int] = field(default_factory=dict)
    warm: frozenset[int] = frozenset()
    building: frozenset[int] = frozenset()

    @property
    def computes(self) -> frozenset[int]:
        """Warm or soon."""
        return self.warm | self.building


@dataclass(frozen=True, slots=True)
class Assignment:
    """By portion: who is to own and who is to follow it; "" nobody."""

    owner: tuple[str, ...]
    follower: tuple[str, ...]

    def of(self, name: str) -> frozenset[int]:
        """What one is to compute."""
        both = zip(self.owner, self.follower, strict=True)
        return frozenset(i for i, (a, b) in enumerate(both) if name in (a, b))


def assignment(of: int, peers: Iterable[Presence]) -> Assignment:
    """See the module; the same for any order of ``peers``, whose names differ."""
    peers = sorted(peers, key=lambda p: p.name)
    if not peers:
        return Assignment(("",) * of, ("",) * of)
    owner = _owners(of, peers)
    return Assignment(tuple(owner), tuple(_followers(owner, peers)))


def _owners(of: int, peers: Sequence[Presence]) -> list[str]:
    floor, extra = divmod(of, len(peers))
    load = dict.fromkeys((p.name for p in peers), 0)
    owner = [""] * of

    def room(name: str) -> bool:
        beyond = sum(n > floor for n in load.values())
        return load[name] < floor or (load[name] == floor and beyond < extra)

    def give(portion: int, name: str) -> None:
        owner[portion] = name
        load[name] += 1

    held: dict[str, list[int]] = {p.name: [] for p in peers}
    for portion in range(of):
        claims = [(p.owned[portion], p.name) for p in peers if portion in p.owned]
        if claims:
            held[max(claims)[1]].append(portion)
    for name in sorted(held, key=lambda name: (-len(held[name]), name)):
        for portion in held[name]:
            if room(name):
                give(portion, name)
    for portion in range(of):
        if not owner[portion]:
            able = [p for p in peers if room(p.name)]
            give(portion, min(able, key=lambda p: (portion not in p.warm, load[p.name], p.name)).name)
    return owner


def _followers(owner: Sequence[str], peers: Sequence[Presence]) -> list[str]:
    if len(peers) < 2:
        return [""] * len(owner)
    most = -(-len(owner) // len(peers))
    load = dict.fromkeys((p.name for p in peers), 0)
    made = [""] * len(owner)
    for known in (True, False):  # first who computes it already, then the rest
        for portion, owned_by in enumerate(owner):
            others = [p for p in peers if p.name != owned_by and (not known or portion in p.computes)]
            others = [p for p in others if not known or load[p.name] < most]
            if not made[portion] and others:
                made[portion] = min(others, key=lambda p: (load[p.name], p.name)).name
                load[made[portion]] += 1
    _level(made, owner, load)
    return made


def _level(follower: list[str], owner: Sequence[str], load: dict[str, int]) -> None:
    """Move portions from who follows two more than another: who came late in the alphabet may have been left out."""
    while True:
        steps = [
            (portion, least)
            for portion, most in enumerate(follower)
            for least in sorted(load, key=lambda name: (load[name], name))
            if least != owner[portion] and load[most] - load[least] >= 2
        ]
        if not steps:
            return
        portion, least = steps[0]
        load[follower[portion]] -= 1
        load[least] += 1
        follower[portion] = least


@dataclass(frozen=True, slots=True)
class Wishes:
    """What to do now: leases to ask for (also to renew), to release; portions to build up, to drop."""

    ask: tuple[int, ...] = ()
    release: tuple[int, ...] = ()
    build: tuple[int, ...] = ()
    drop: tuple[int, ...] = ()


class Ownership:
    """One aggregator's view. Times are its own steady clock's milliseconds; ``warm`` and ``building`` are set by who
    computes, and so is ``late``: its loop is over a second behind, what it computes is nobody's yet, its leases run
    out. ``takes_part`` False: it only listens (a page of its own)."""

    def __init__(self, name: str, of: int, now_ms: float, *, takes_part: bool = True) -> None:
        self.name, self.of, self.takes_part = name, of, takes_part
        self.leases = [Lease(f"portion:{i}/{of}", name) for i in range(of)]
        self.warm: set[int] = set()
        self.building: set[int] = set()
        self.late = False
        self._heard: dict[str, tuple[Presence, float]] = {}
        self._since_ms = now_ms
        self._who: tuple[str, ...] = (name,)

    def hear(self, word: Presence, now_ms: float) -> None:
        """Another aggregator's word; the newest of each name counts."""
        if word.name != self.name and (word.name in self._heard or len(self._heard) < MAX_PEERS):
            self._heard[word.name] = word, now_ms

    def leave(self, name: str) -> None:
        """Another said that it goes."""
        self._heard.pop(name, None)

    def owned(self, now_ms: float) -> dict[int, int]:
        """Portions that are certainly one's own, with their tokens: asked before each publication."""
        return {i: lease.token for i, lease in enumerate(self.leases) if lease.held(now_ms)}

    def word(self, now_ms: float) -> Presence:
        """One's own."""
        if self.late:
            return Presence(self.name, self.owned(now_ms), frozenset(), frozenset(self.warm | self.building))
        return Presence(self.name, self.owned(now_ms), frozenset(self.warm), frozenset(self.building))

    def peers(self, now_ms: float) -> list[Presence]:
        """The others who are there, by name."""
        self._heard = {n: (word, at) for n, (word, at) in self._heard.items() if now_ms - at < TTL_MS}
        return [self._heard[name][0] for name in sorted(self._heard)]

    def wishes(self, now_ms: float) -> Wishes:
        """What to do; asked five times a second and after every word that changes something."""
        others = self.peers(now_ms)
        if self.late or not self.takes_part:
            return Wishes()
        who = (self.name, *(p.name for p in others))
        if who != self._who:
            self._who, self._since_ms = who, now_ms
        settled = now_ms - self._since_ms >= SETTLED_MS
        made = assignment(self.of, [self.word(now_ms), *others])
        mine = self.owned(now_ms)
        warm = {p.name: p.warm for p in others}
        heirs = {i: made.owner[i] for i in mine if made.owner[i] != self.name}
        release = [i for i, heir in heirs.items() if settled and i in warm.get(heir, ())]
        asked = {i for i in self.warm if made.owner[i] == self.name} | set(mine)
        return Wishes(
            tuple(sorted(asked - set(release))),
            tuple(release),
            tuple(sorted(made.of(self.name) - self.warm - self.building)) if settled else (),
            tuple(i for i in sorted(self.warm) if settled and self._spare(i, made, mine, warm)),
        )

    def _spare(self, portion: int, made: Assignment, mine: dict[int, int], warm: dict[str, frozenset[int]]) -> bool:
        """Nobody needs this one to compute it: the two who are to do so have it warm."""
        two = (made.owner[portion], made.follower[portion])
        return self.name not in two and portion not in mine and all(portion in warm.get(n, ()) for n in two if n)

    def answered(self, portion: int, token: int, asked_ms: float) -> bool:
        """The store answered (token 0: another's); True when it has become one's own with this answer."""
        lease = self.leases[portion]
        before = lease.token
        lease.answered(token, asked_ms)
        return token > 0 and token != before

    def released(self, portion: int) -> None:
        """From now on it is not one's own, whatever the store answers."""
        self.leases[portion].answered(0, 0.0)


__all__ = ["RENEW_MS", "Assignment", "Ownership", "Presence", "Wishes", "assignment"]

"""One phone's connection as a transition table: messages and a time in, actions out. Pure.

:data:`TABLE` is the whole of it: for each state, what each event does and where it leads; PROTOCOL.md prints the same
table and a test compares them. :data:`REFUSALS` names every refusal with its one answer. :meth:`Session.receive` never
raises, whatever arrives. The shell carries out the actions in order and reports what the bus accepted.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import orjson

from relay.entries import Consent, Control, Departure, Erase, Join, Skip
from relay.hello import MAX_CHANNELS, VERSION, FieldError, Hello, read_consent, read_hello, read_skip
from relay.layouts import Layouts
from relay.parts import FIRST_PART, PARTS
from relay.seat_card import Keyring, SeatClaim, TokenError, pseudonym, verify
from relay.wire import MAX_PACKET_BYTES, WireError

HELLO_WITHIN_MS = 5_000  # a phone has its hello ready before it connects
CLOSING_WITHIN_MS = 3_000  # the bus answers in 0.5 s or is away; then the phone comes back and says it again
ACK_EVERY_MS = 1_000
ACK_EVERY_PACKETS = 8
MAX_AHEAD = 4_096  # packets beyond the lowest unacknowledged: 17 min at 4 a second
MAX_SKIPS = 64  # separate skipped ranges ahead of the lowest unacknowledged
MAX_REFUSED = 32  # refused messages of one connection before it is closed
RING_S = 15.0  # what a phone keeps of acknowledged packets (contract 6)
BACKLOG_PACE = 4.0  # a returning phone sends its backlog at most this many times faster than it measures
CLOSING_RETRY_S = 2.0
REPLACED = 4005  # close code: a newer connection of the same listener
MAX_ERASED = 20_000  # tombstones kept; at the bound the oldest goes and is counted
LATER_EVERY_MS = 1_000  # how often one phone is told that the backlog is full


class State(enum.Enum):
    """Where a connection stands."""

    HELLO = "awaiting hello"
    CONSENT = "awaiting consent"
    STREAMING = "streaming"
    DECLINED = "declined"
    CLOSING = "closing"
    CLOSED = "closed"


class Event(enum.Enum):
    """What can happen to a connection."""

    HELLO = "hello"
    HELLO_YES = "hello with consent"
    YES = "consent yes"
    NO = "consent no"
    SAMPLES = "samples"
    SKIP = "skip"
    ERASE = "erase"
    GOODBYE = "goodbye"
    ACCEPTED = "packet accepted"
    WRITTEN = "entry accepted"
    LAST = "last entry accepted"
    TIMEOUT = "time-out"
    LOST = "connection lost"


class Step(NamedTuple):
    """What an event does (a rule of :class:`Session`, by its name) and the state it leads to."""

    rule: str
    to: State


TABLE: dict[State, dict[Event, Step]] = {
    State.HELLO: {
        Event.HELLO: Step("welcome", State.CONSENT),
        Event.HELLO_YES: Step("welcome and join", State.STREAMING),
        Event.TIMEOUT: Step("close as slow", State.CLOSED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.CONSENT: {
        Event.YES: Step("join", State.STREAMING),
        Event.NO: Step("answer", State.DECLINED),
        Event.SAMPLES: Step("refuse: consent", State.CONSENT),
        Event.SKIP: Step("refuse: consent", State.CONSENT),
        Event.ERASE: Step("erase", State.CLOSING),
        Event.GOODBYE: Step("say goodbye", State.CLOSED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.STREAMING: {
        Event.YES: Step("answer", State.STREAMING),
        Event.NO: Step("withdraw", State.DECLINED),
        Event.SAMPLES: Step("take", State.STREAMING),
        Event.SKIP: Step("take skip", State.STREAMING),
        Event.ERASE: Step("erase", State.CLOSING),
        Event.GOODBYE: Step("depart", State.CLOSING),
        Event.ACCEPTED: Step("count", State.STREAMING),
        Event.WRITTEN: Step("confirm", State.STREAMING),
        Event.LOST: Step("vanish", State.CLOSED),
    },
    State.DECLINED: {
        Event.YES: Step("join", State.STREAMING),
        Event.NO: Step("answer", State.DECLINED),
        Event.SAMPLES: Step("refuse: consent", State.DECLINED),
        Event.SKIP: Step("refuse: consent", State.DECLINED),
        Event.ERASE: Step("erase", State.CLOSING),
        Event.GOODBYE: Step("say goodbye", State.CLOSED),
        Event.ACCEPTED: Step("count", State.DECLINED),
        Event.WRITTEN: Step("confirm", State.DECLINED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.CLOSING: {
        Event.ACCEPTED: Step("count", State.CLOSING),
        Event.WRITTEN: Step("confirm", State.CLOSING),
        Event.LAST: Step("finish", State.CLOSED),
        Event.TIMEOUT: Step("close as later", State.CLOSED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.CLOSED: {},
}
"""What is not in a state's row: in closing and closed it is ignored; elsewhere it is refused as ``order``."""


class Refused(NamedTuple):
    """A refusal's answer: the close code, or None when the connection goes on; and what it means."""

    close: int | None
    meaning: str


REFUSALS: dict[str, Refused] = {
    "json": Refused(1007, "a text message that is not one JSON object"),
    "size": Refused(1009, f"a message over {MAX_PACKET_BYTES} bytes"),
    "type": Refused(None, "a JSON object whose type this version does not know"),
    "protocol": Refused(4002, "a hello of a version this relay does not speak"),
    "hello": Refused(4003, "a hello with a field that cannot be used"),
    "seat": Refused(4001, "a seat token that does not admit"),
    "erased": Refused(4004, "a listener who asked to be erased this evening"),
    "order": Refused(1008, "a message that this state does not expect"),
    "consent": Refused(None, "samples or a skip without a yes: not taken"),
    "field": Refused(None, "a consent or skip with a field that cannot be used: not taken"),
    "slow": Refused(1008, f"no hello within {HELLO_WITHIN_MS // 1000} s"),
    "version": Refused(None, "a packet of an unknown version: not taken"),
    "length": Refused(None, "a packet whose length is not what its counts say: not taken"),
    "blocks": Refused(None, "a packet with no block, more than 16, or flags that are not 0: not taken"),
    "format": Refused(None, "a block of an unknown format or of a channel that the hello did not name: not taken"),
    "count": Refused(None, "a block of no sample or more than 1,024: not taken"),
    "time": Refused(None, "a phone time of 2**62 us or more, or a block offset over 10 s: not taken"),
    "ahead": Refused(None, f"a packet or skip more than {MAX_AHEAD} numbers beyond the lowest unacknowledged"),
    "refusals": Refused(1008, f"more than {MAX_REFUSED} refused messages on one connection"),
}


@dataclass(frozen=True, slots=True)
class Send:
    """Send this text message."""

    text: str


@dataclass(frozen=True, slots=True)
class Write:
    """Put this control entry on the listener's shard, behind everything already there."""

    event: Control


@dataclass(frozen=True, slots=True)
class Samples:
    """Put this packet on the listener's shard."""

    sequence: int
    raw: bytes
    arrival_ms: float


@dataclass(frozen=True, slots=True)
class Close:
    """Close the connection with this code."""

    code: int
    reason: str


Action = Send | Write | Samples | Close


@dataclass(slots=True)
class House:
    """What all sessions of a relay share; the shell keeps it current. ``erased`` refuses listeners of the evening."""

    keyring: Keyring
    evening: str
    labels: tuple[str, ...] = ()
    opens_s: float = float("-inf")
    closes_s: float = float("inf")
    revoked: frozenset[tuple[int, int]] = frozenset()
    consent_text: str = "1"
    part: str = FIRST_PART
    bus_id: str = ""
    unix_offset_ms: float = 0.0
    erased: dict[int, None] = field(default_factory=dict)
    layouts: Layouts = field(default_factory=Layouts)
    refused: dict[str, int] = field(default_factory=lambda: dict.fromkeys(REFUSALS, 0))
    tombstones_dropped: int = 0

    def erase(self, listener: int) -> None:
        """Refuse this listener for the rest of the evening."""
        if len(self.erased) >= MAX_ERASED and listener not in self.erased:
            del self.erased[next(iter(self.erased))]
            self.tombstones_dropped += 1
        self.erased[listener] = None


class Session:
    """One connection. ``listener`` and ``stream`` are 0 until the hello; ``next`` is the lowest unacknowledged."""

    __slots__ = (
        "_channels", "_closing", "_early", "_hello", "_house", "_later_ms", "_refused", "_since_ms", "_skipped_to",
        "_skips", "claim", "joined", "listener", "next", "shard", "state", "stream", "unsent",
    )  # fmt: skip

    def __init__(self, house: House, now_ms: float) -> None:
        self._house = house
        self._since_ms = now_ms
        self._hello: Hello | None = None
        self._closing: Control | None = None
        self._channels = 0
        self._early: set[int] = set()
        self._skips: list[tuple[int, int]] = []
        self._skipped_to = 0
        self._refused = 0
        self._later_ms = float("-inf")
        self.claim: SeatClaim | None = None
        self.listener = self.stream = self.next = self.unsent = 0
        self.shard = -1  # the shell's: where this listener's entries go
        self.joined = False
        self.state = State.HELLO

    # --- what arrives -------------------------------------------------------------------------------------------

    def take(self, raw: bytes) -> int:
        """The sequence number of a packet to be put on the bus, or -1: then ask :meth:`receive` for the answer.

        The short way for the usual case; the same decision as ``receive``.
        """
        if self.state is not State.STREAMING:
            return -1
        try:
            sequence = self._house.layouts.check(raw, self._channels)
        except WireError:
            return -1
        if sequence > self.next + MAX_AHEAD and sequence > self._skipped_to + MAX_AHEAD:
            return -1
        return sequence

    def receive(self, message: str | bytes, now_ms: float) -> list[Action]:
        """What to do about one whole message. Never raises."""
        if self.state in (State.CLOSING, State.CLOSED):
            return []
        if isinstance(message, bytes):
            return self._fire(Event.SAMPLES, message, now_ms)
        if len(message) > MAX_PACKET_BYTES:
            return self._refuse("size", len(message), f"up to {MAX_PACKET_BYTES} bytes")
        try:
            body = orjson.loads(message)
        except orjson.JSONDecodeError as error:
            return self._refuse("json", str(error)[:60], "one JSON object")
        if not isinstance(body, dict):
            return self._refuse("json", type(body).__name__, "one JSON object")
        return self._message(body, now_ms)

    def accepted(self, sequence: int) -> int:
        """The bus has accepted this packet; returns how many acceptances the phone has not been told of."""
        if sequence == self.next:
            self.next = sequence + 1
            if self._early or self._skips:
                self._absorb()
        elif sequence > self.next:
            self._early.add(sequence)
        self.unsent += 1
        return self.unsent

    def written(self, event: Control) -> list[Action]:
        """The bus has accepted this control entry of the session."""
        cause = Event.LAST if event is self._closing else Event.WRITTEN
        return self._fire(cause, event, 0.0) if cause in TABLE[self.state] else []

    def untaken(self, sequence: int, retry_s: float, now_ms: float) -> list[Action]:
        """The backlog is full and this packet was not queued: tell the phone, once a second, where to go back to."""
        if now_ms - self._later_ms < LATER_EVERY_MS:
            return []
        self._later_ms = now_ms
        return [_send(type="later", retry_s=round(retry_s, 2), **{"from": min(sequence, self.next)})]

    def tick(self, now_ms: float) -> list[Action]:
        """Time-outs; called about once a second."""
        within_ms = {State.HELLO: HELLO_WITHIN_MS, State.CLOSING: CLOSING_WITHIN_MS}.get(self.state)
        if within_ms is None or now_ms - self._since_ms <= within_ms:
            return []
        return self._fire(Event.TIMEOUT, None, now_ms)

    def lost(self) -> list[Action]:
        """The connection is gone."""
        return self._fire(Event.LOST, None, 0.0) if self.state is not State.CLOSED else []

    def replaced(self) -> list[Action]:
        """A newer connection of the same listener has joined at this relay: close without a departure."""
        self.joined, self.state = False, State.CLOSED
        return [Close(REPLACED, "replaced by a newer connection")]

    # --- what is said unasked ------------------------------------------------------------------------------------

    def ack(self) -> list[Action]:
        """The acknowledgement: every packet below ``next`` is accepted."""
        self.unsent = 0
        return [Send(f'{{"type":"ack","next":{self.next}}}')]

    def part(self) -> list[Action]:
        """The part of the evening, for a phone that has said hello."""
        part = self._house.part
        return [_send(type="part", part=part, say=PARTS[part].phones)] if self._listens() else []

    def bus(self) -> list[Action]:
        """The bus may have lost accepted packets: the phone sends its ring again (contract 6)."""
        return [_send(type="bus", bus=self._house.bus_id)] if self._listens() else []

    def _listens(self) -> bool:
        return self._hello is not None and self.state not in (State.CLOSING, State.CLOSED)

    # --- reading messages ----------------------------------------------------------------------------------------

    def _message(self, body: dict[str, Any], now_ms: float) -> list[Action]:
        kind = body.get("type")
        reader = _READERS.get(kind) if isinstance(kind, str) else None
        if reader is None:
            return self._refuse("type", kind, ", ".join(_READERS))
        if (kind == "hello") != (self.state is State.HELLO):
            return self._refuse("order", f"{kind} while {self.state.value}", "hello first and once")
        try:
            return reader(self, body, now_ms)
        except FieldError as error:
            code = "hello" if kind == "hello" else "field"
            return self._refuse(code, f"{error.field}: {error.found}", error.allowed)

    def _read_hello(self, body: dict[str, Any], now_ms: float) -> list[Action]:
        if body.get("version") != VERSION or isinstance(body.get("version"), bool):
            return self._refuse("protocol", body.get("version"), str(VERSION))
        hello, house = read_hello(body), self._house
        try:
            claim = verify(
                house.keyring, house.evening, hello.token, (now_ms + house.unix_offset_ms) / 1000,
                opens_s=house.opens_s, closes_s=house.closes_s, revoked=house.revoked,
            )  # fmt: skip
            listener = pseudonym(house.keyring, house.evening, hello.token)
        except TokenError as error:
            return self._refuse("seat", error.reason, str(error))
        if listener in house.erased:
            return self._refuse("erased", "an erased listener", "a new seat card")
        self._hello, self.claim, self.listener, self.stream = hello, claim, listener, hello.stream
        self.next = self._skipped_to = hello.lowest
        self._channels = len(hello.channels)
        given = hello.consent == house.consent_text
        return self._fire(Event.HELLO_YES if given else Event.HELLO, None, now_ms)

    def _read_consent(self, body: dict[str, Any], now_ms: float) -> list[Action]:
        yes, text = read_consent(body)
        if yes and text != self._house.consent_text:
            raise FieldError("text", text, f"the version shown now, {self._house.consent_text}")
        return self._fire(Event.YES if yes else Event.NO, yes, now_ms)

    def _read_skip(self, body: dict[str, Any], now_ms: float) -> list[Action]:
        return self._fire(Event.SKIP, read_skip(body), now_ms)

    def _read_erase(self, _body: dict[str, Any], now_ms: float) -> list[Action]:
        return self._fire(Event.ERASE, None, now_ms)

    def _read_goodbye(self, _body: dict[str, Any], now_ms: float) -> list[Action]:
        return self._fire(Event.GOODBYE, None, now_ms)

    def _fire(self, event: Event, about: Any, now_ms: float) -> list[Action]:
        """One step of the table: change the state, then run the rule. An event without a row is refused."""
        step = TABLE[self.state].get(event)
        if step is None:
            return self._refuse("order", f"{event.value} while {self.state.value}", "see the state table")
        self.state = step.to
        return _RULES[step.rule](self, about, now_ms)

    # --- rules ---------------------------------------------------------------------------------------------------

    def _nothing(self, _about: Any, _now_ms: float) -> list[Action]:
        return []

    def _welcome(self, _about: Any, _now_ms: float) -> list[Action]:
        house, seat = self._house, self.claim.seat if self.claim else 0
        return [_send(
            type="welcome", version=VERSION, bus=house.bus_id,
            seat=house.labels[seat - 1] if 0 < seat <= len(house.labels) else str(seat),
            part=house.part, say=PARTS[house.part].phones,
            consent={"text": house.consent_text, "given": self.state is State.STREAMING},
            ack={"every_s": ACK_EVERY_MS / 1000, "every_packets": ACK_EVERY_PACKETS},
            next=self.next, ring_s=RING_S, backlog_pace=BACKLOG_PACE,
            limits={"message_bytes": MAX_PACKET_BYTES, "channels": MAX_CHANNELS, "ahead": MAX_AHEAD},
        )]  # fmt: skip

    def _welcome_and_join(self, about: Any, now_ms: float) -> list[Action]:
        return [*self._welcome(about, now_ms), *self._join(about, now_ms)]

    def _join(self, _about: Any, _now_ms: float) -> list[Action]:
        hello, claim = self._hello, self.claim
        assert hello is not None  # the table: only after a hello
        assert claim is not None
        self.joined = True
        name = hello.name if claim.role == "performer" else ""  # no name of a listener is ever written
        join = Join(
            self.listener, self.stream, claim.seat, claim.role, hello.channels, self.next, hello.sensor,
            hello.battery, name,
        )  # fmt: skip
        return [Write(Consent(self.listener, True, self._house.consent_text)), Write(join)]

    def _answer(self, yes: bool, _now_ms: float) -> list[Action]:
        return [_send(type="consent", answer="yes" if yes else "no")]

    def _withdraw(self, _about: Any, _now_ms: float) -> list[Action]:
        self.joined = False
        return [Write(Consent(self.listener, False, self._house.consent_text))]

    def _without_consent(self, _about: Any, _now_ms: float) -> list[Action]:
        return self._refuse("consent", f"data while {self.state.value}", "data after consent yes")

    def _take(self, raw: bytes, now_ms: float) -> list[Action]:
        try:
            sequence = self._house.layouts.check(raw, self._channels)
        except WireError as error:
            return self._refuse(error.code.value, error.found, error.allowed, _sequence_of(raw))
        limit = max(self.next, self._skipped_to) + MAX_AHEAD
        if sequence > limit:
            return self._refuse("ahead", sequence, f"up to {limit}", sequence)
        return [Samples(sequence, raw, now_ms)]

    def _take_skip(self, about: tuple[int, int], _now_ms: float) -> list[Action]:
        first, last = about
        limit = max(self.next, self._skipped_to) + MAX_AHEAD
        if first > limit or len(self._skips) >= MAX_SKIPS:
            return self._refuse("ahead", first, f"up to {limit}, {MAX_SKIPS} ranges", first)
        self._skipped_to = max(self._skipped_to, last + 1)
        return [Write(Skip(self.listener, self.stream, first, last))]

    def _erase(self, _about: Any, now_ms: float) -> list[Action]:
        self._house.erase(self.listener)
        return self._close_after(Erase(self.listener), now_ms)

    def _say_goodbye(self, _about: Any, _now_ms: float) -> list[Action]:
        return [_send(type="goodbye"), Close(1000, "goodbye")]

    def _depart(self, _about: Any, now_ms: float) -> list[Action]:
        return self._close_after(Departure(self.listener, self.stream, "goodbye"), now_ms)

    def _close_after(self, event: Control, now_ms: float) -> list[Action]:
        """Write, and close once it is accepted."""
        self._closing, self._since_ms, self.joined = event, now_ms, False
        return [Write(event)]

    def _vanish(self, _about: Any, _now_ms: float) -> list[Action]:
        joined, self.joined = self.joined, False
        return [Write(Departure(self.listener, self.stream, "closed"))] if joined else []

    def _confirm(self, event: Control, now_ms: float) -> list[Action]:
        if isinstance(event, Skip):
            self._skips.append((event.first, event.last))
            self._absorb()
            return self.ack()
        return self._answer(event.answer, now_ms) if isinstance(event, Consent) else []

    def _finish(self, event: Control, _now_ms: float) -> list[Action]:
        done = "erased" if isinstance(event, Erase) else "goodbye"
        return [*(self.ack() if self.unsent else []), _send(type=done), Close(1000, done)]

    def _close_as_later(self, _about: Any, _now_ms: float) -> list[Action]:
        return [_send(type="later", retry_s=CLOSING_RETRY_S), Close(1013, "the bus is away")]

    def _close_as_slow(self, _about: Any, _now_ms: float) -> list[Action]:
        return self._refuse("slow", "nothing", f"a hello within {HELLO_WITHIN_MS // 1000} s")

    def _absorb(self) -> None:
        """Move ``next`` over what was accepted or skipped ahead of it."""
        moved = True
        while moved:
            moved = False
            while self.next in self._early:
                self._early.discard(self.next)
                self.next += 1
                moved = True
            for first, last in self._skips:
                if first <= self.next <= last:
                    self.next = last + 1
                    moved = True
        self._skips = [(first, last) for first, last in self._skips if last >= self.next]
        if self._early and min(self._early) < self.next:
            self._early = {number for number in self._early if number > self.next}

    def _refuse(self, code: str, found: object, allowed: str, sequence: int | None = None) -> list[Action]:
        """The one documented answer to a refusal, counted."""
        self._house.refused[code] += 1
        self._refused += 1
        body: dict[str, Any] = {"type": "error", "code": code, "found": str(found)[:120], "allowed": allowed[:200]}
        if sequence is not None:
            body["sequence"] = sequence
        close = REFUSALS[code].close
        if close is not None:
            return [_send(**body), *self.lost(), Close(close, code)]
        if self._refused > MAX_REFUSED:
            return [_send(**body), *self._refuse("refusals", self._refused, f"up to {MAX_REFUSED}")]
        return [_send(**body)]


def _send(**body: Any) -> Send:
    return Send(orjson.dumps(body).decode())


def _sequence_of(raw: bytes) -> int | None:
    """Where a refused packet is long enough to hold its number: the phone skips that number."""
    return int.from_bytes(raw[4:8], "little") if len(raw) >= 8 else None


_READERS: dict[str, Callable[[Session, dict[str, Any], float], list[Action]]] = {
    "hello": Session._read_hello,
    "consent": Session._read_consent,
    "skip": Session._read_skip,
    "erase": Session._read_erase,
    "goodbye": Session._read_goodbye,
}
_RULES: dict[str, Callable[[Session, Any, float], list[Action]]] = {
    "nothing": Session._nothing,
    "welcome": Session._welcome,
    "welcome and join": Session._welcome_and_join,
    "join": Session._join,
    "answer": Session._answer,
    "withdraw": Session._withdraw,
    "refuse: consent": Session._without_consent,
    "take": Session._take,
    "take skip": Session._take_skip,
    "erase": Session._erase,
    "say goodbye": Session._say_goodbye,
    "depart": Session._depart,
    "vanish": Session._vanish,
    "confirm": Session._confirm,
    "finish": Session._finish,
    "close as later": Session._close_as_later,
    "close as slow": Session._close_as_slow,
}

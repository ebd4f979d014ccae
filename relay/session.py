"""One phone's connection as a transition table: messages and a time in, actions out. Pure.

:data:`relay.session_table.TABLE` decides; the rules here carry it out. :meth:`Session.receive` never raises, whatever
arrives. The shell carries out the actions in order and reports what the bus accepted.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import orjson

from relay.entries import Consent, Control, Departure, Erase, Join, Skip
from relay.hello import MAX_CHANNELS, VERSION, FieldError, Hello, read_consent, read_hello, read_skip
from relay.parts import PARTS
from relay.seat_card import SeatClaim, TokenError, admit
from relay.session_table import (
    ACK_EVERY_MS,
    ACK_EVERY_PACKETS,
    BACKLOG_PACE,
    CLOSING_RETRY_S,
    CLOSING_WITHIN_MS,
    HELLO_WITHIN_MS,
    LATER_EVERY_MS,
    MAX_AHEAD,
    MAX_REFUSED,
    MAX_SKIPS,
    REFUSALS,
    REPLACED,
    RING_S,
    TABLE,
    Action,
    Close,
    Event,
    House,
    Samples,
    Send,
    State,
    Write,
)  # fmt: skip
from relay.wire import MAX_PACKET_BYTES, WireError, sequence_of


class Session:
    """One connection. ``listener`` and ``stream`` are 0 until the hello; ``next`` is the lowest unacknowledged."""

    __slots__ = (
        "_channels", "_closing", "_early", "_hello", "_house", "_later_ms", "_refused", "_since_ms", "_skipped_to",
        "_skips", "_withdrawn", "claim", "joined", "listener", "next", "shard", "state", "stream", "unsent",
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
        self.joined = self._withdrawn = False
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
        return -1 if sequence > self.next + MAX_AHEAD and self._too_far(sequence) else sequence

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

    def acknowledgement(self) -> str:
        """The message that every packet below ``next`` is accepted."""
        self.unsent = 0
        return f'{{"type":"ack","next":{self.next}}}'

    def ack(self) -> list[Action]:
        """The same among a session's actions."""
        return [Send(self.acknowledgement())]

    def part(self) -> list[Action]:
        """The part of the evening, for a phone that has said hello."""
        part = self._house.part
        return [_send(type="part", part=part, say=PARTS[part].phones)] if self._listens() else []

    def bus(self) -> list[Action]:
        """The bus may have lost accepted entries: the phone sends its ring again (contract 6), behind its consent and
        claim, or its withdrawal, written again."""
        if not self._listens():
            return []
        standing: list[Action] = []
        if self.joined:
            standing = self._join(None, 0.0, lowest=self._hello.lowest if self._hello else 0)
        elif self._withdrawn:
            standing = [Write(Consent(self.listener, False, self._house.consent_text))]
        return [*standing, _send(type="bus", bus=self._house.bus_id)]

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
        hello, house = read_hello(body, self._house.channel_lists), self._house
        try:
            claim, listener = admit(
                house.keyring, house.evening, hello.token, (now_ms + house.unix_offset_ms) / 1000,
                opens_s=house.opens_s, closes_s=house.closes_s, revoked=house.revoked,
            )  # fmt: skip
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
        if yes and self.listener in self._house.erased:  # from another connection, after this one's hello
            return self._refuse("erased", "an erased listener", "a new seat card")
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

    def _join(self, _about: Any, _now_ms: float, *, lowest: int | None = None) -> list[Action]:
        hello, claim = self._hello, self.claim
        assert hello is not None  # the table: only after a hello
        assert claim is not None
        self.joined, self._withdrawn = True, False
        name = hello.name if claim.role == "performer" else ""  # no name of a listener is ever written
        join = Join(
            self.listener, self.stream, claim.seat, claim.role, hello.channels,
            self.next if lowest is None else lowest, hello.sensor, hello.battery, name,
        )  # fmt: skip
        return [Write(Consent(self.listener, True, self._house.consent_text)), Write(join)]

    def _answer(self, yes: bool, _now_ms: float) -> list[Action]:
        return [_send(type="consent", answer="yes" if yes else "no")]

    def _withdraw(self, _about: Any, _now_ms: float) -> list[Action]:
        self.joined, self._withdrawn = False, True
        return [Write(Consent(self.listener, False, self._house.consent_text))]

    def _withdraw_if_before(self, yes: bool, now_ms: float) -> list[Action]:
        """Another relay may have taken the yes, and died with the withdrawal; without a yes nothing is written."""
        told = self._hello is not None and (self._hello.consent is not None or self._hello.lowest > 0)
        return self._withdraw(yes, now_ms) if told or self._withdrawn else self._answer(yes, now_ms)

    def _without_consent(self, _about: Any, _now_ms: float) -> list[Action]:
        return self._refuse("consent", f"data while {self.state.value}", "data after consent yes")

    def _take(self, raw: bytes, now_ms: float) -> list[Action]:
        try:
            sequence = self._house.layouts.check(raw, self._channels)
        except WireError as error:
            return self._refuse(error.code.value, error.found, error.allowed, sequence_of(raw))
        if self._too_far(sequence):
            return self._refuse("ahead", sequence, f"up to {self._limit()}", sequence)
        return [Samples(sequence, raw, now_ms)]

    def _take_skip(self, about: tuple[int, int], _now_ms: float) -> list[Action]:
        first, last = about
        if self._too_far(first) or len(self._skips) >= MAX_SKIPS:
            return self._refuse("ahead", first, f"up to {self._limit()}, {MAX_SKIPS} ranges", first)
        self._skipped_to = max(self._skipped_to, last + 1)
        return [Write(Skip(self.listener, self.stream, first, last))]

    def _limit(self) -> int:
        return max(self.next, self._skipped_to) + MAX_AHEAD

    def _too_far(self, number: int) -> bool:
        """Beyond the window; or beyond it but for a skip, with the window's worth already waiting behind a hole."""
        behind_a_hole = number > self.next + MAX_AHEAD and len(self._early) >= MAX_AHEAD
        return number > self._limit() or behind_a_hole

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
    "withdraw if a yes came before": Session._withdraw_if_before,
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

"""Coverage-guided fuzzing of a connection: ``python -m tests.fuzz.fuzz_session tests/fuzz/corpus/session``.

An input is a conversation: messages separated by a line with one letter, ``T`` text, ``B`` binary, ``A`` the bus
accepts what waits, ``C`` time passes. ``@HELLO`` and ``@SEAT`` stand for a valid hello and token, so that
mutations get past them. Held: nothing raises, nothing is written before a yes, nothing is done after a close.
"""

from __future__ import annotations

from relay.entries import Consent, Departure, Erase
from relay.seat_card import issue
from relay.session import Session
from relay.session_table import Action, Close, House, Samples, State, Write
from tests.fuzz.instrument import fuzz
from tests.relay.phone import EVENING, RING, hello

HELLO = hello().encode()
SEAT = issue(RING, EVENING, 12).encode()


class Conversation:
    """A session with a bus that accepts when the input says so."""

    def __init__(self) -> None:
        self.session = Session(House(RING, EVENING, bus_id="b"), 0.0)
        self.waiting: list[Write | Samples] = []
        self.consented = self.closed = False
        self.now_ms = 0.0

    def step(self, kind: bytes, body: bytes) -> None:
        """One message or happening."""
        if kind == b"A":
            waiting, self.waiting = self.waiting, []
            for item in waiting:
                if isinstance(item, Write):
                    self.did(self.session.written(item.event))
                else:
                    self.session.accepted(item.sequence)
        elif kind == b"C":
            self.now_ms += 1_000.0
            self.did(self.session.tick(self.now_ms))
        elif kind == b"B":
            number = self.session.take(body)
            actions = self.session.receive(body, self.now_ms)
            assert (number >= 0) == any(isinstance(action, Samples) for action in actions)
            self.did(actions)
        else:
            text = body.replace(b"@HELLO", HELLO).replace(b"@SEAT", SEAT).decode("utf-8", "replace")
            self.did(self.session.receive(text, self.now_ms))

    def did(self, actions: list[Action]) -> None:
        """What must hold of a session's actions."""
        for action in actions:
            assert not self.closed, "an action after a close"
            if isinstance(action, Write):
                if isinstance(action.event, Consent):
                    self.consented = action.event.answer
                assert self.consented or isinstance(action.event, (Consent, Erase, Departure)), "written before a yes"
                self.waiting.append(action)
            elif isinstance(action, Samples):
                assert self.consented, "taken before a yes"
                self.waiting.append(action)
            elif isinstance(action, Close):
                self.closed = True
                assert self.session.state is State.CLOSED


def one_input(data: bytes) -> None:
    """One conversation."""
    conversation = Conversation()
    kind, body = b"T", bytearray()
    for number, line in enumerate(data.split(b"\n")):
        if line in (b"T", b"B", b"A", b"C"):
            if number:
                conversation.step(kind, bytes(body[:-1]))
            kind, body = line, bytearray()
        else:
            body += line + b"\n"
    conversation.step(kind, bytes(body[:-1]))
    conversation.did(conversation.session.lost())


if __name__ == "__main__":
    fuzz(one_input)

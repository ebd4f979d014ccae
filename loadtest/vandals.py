"""Clients that break the rules, beside good phones: what a house must survive without the good ones noticing. Shell.

Each kind does one wrong thing, as often as it is let, and comes back a second after it was thrown out.
"""

from __future__ import annotations

import random
import socket
import time
from collections.abc import Sequence
from dataclasses import dataclass

from loadtest import messages, wire_client
from loadtest.physiology import CHANNELS
from loadtest.scenario import Vandals
from loadtest.standing import Target

KINDS = ("garbage", "slow", "malformed", "oversized", "flooding", "deaf")
BACK_AFTER_S = 1.0
EMPTY_MESSAGES_A_STEP = 200  # 20,000 a second at 100 steps a second: what one flooding connection reached
OVERSIZED_BYTES = 1_000_000
FIRST_PHONE_NUMBER = 1_000_000  # their addresses on loopback are apart from the phones'


@dataclass(slots=True)
class VandalCounts:
    """How often they came, were thrown out, and what they managed to send."""

    connects: int = 0
    thrown_out: int = 0
    refused: int = 0
    bytes: int = 0


class Vandal:
    """One of them; ``step`` is called a hundred times a second and never waits."""

    def __init__(self, kind: str, number: int, token: str, target: Target, counts: VandalCounts) -> None:
        self.kind, self.token, self.target, self.counts = kind, token, target, counts
        self.number = FIRST_PHONE_NUMBER + number
        self._dice = random.Random(number)
        self._sock: socket.socket | None = None
        self._stage = 0
        self._back_at_s = 0.0
        self._left = b""

    def step(self, now_s: float) -> None:
        """Do some more of it."""
        if self._sock is None:
            if now_s >= self._back_at_s:
                self._connect()
            return
        try:
            self._listen()
            self._do()
        except BlockingIOError:
            return
        except OSError:
            self._out(now_s)

    def close(self) -> None:
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def _connect(self) -> None:
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        sock.setblocking(False)
        source = self.target.source(self.number)
        if source is not None:
            sock.bind((source, 0))
        sock.connect_ex((self.target.host, self.target.port))
        self._sock, self._stage, self._left = sock, 0, b""
        self.counts.connects += 1

    def _out(self, now_s: float) -> None:
        self.counts.thrown_out += 1
        self.close()
        self._back_at_s = now_s + BACK_AFTER_S

    def _listen(self) -> None:
        if self.kind == "deaf":
            return
        assert self._sock is not None
        try:
            if not self._sock.recv(65536):
                raise ConnectionResetError
        except BlockingIOError:
            return

    def _send(self, raw: bytes) -> None:
        assert self._sock is not None
        raw = self._left + raw
        self._left = raw
        done = self._sock.send(raw)
        self.counts.bytes += done
        self._left = raw[done:]

    def _do(self) -> None:
        if self.kind == "garbage":
            self._send(self._dice.randbytes(512))
        elif self.kind == "slow":
            self._send(b"GET /phone HTTP/1.1\r\nX-" if self._stage == 0 else b"y" if self._stage % 100 == 0 else b"")
        elif self._stage == 0:
            host = f"{self.target.host}:{self.target.port}"
            self._send(wire_client.upgrade(host, self.target.path))
        elif self._stage == 20:  # the handshake was answered within 0.2 s or the relay is away
            text = messages.hello(self.token, self._dice.getrandbits(63) | 1, 0, CHANNELS[:3])
            self._send(wire_client.message(wire_client.TEXT, text.encode()))
        elif self._stage > 30:
            self._misbehave()
        self._stage += 1

    def _misbehave(self) -> None:
        if self.kind == "malformed":
            raw = self._dice.randbytes(self._dice.choice((0, 1, 15, 16, 80, 300)))
            self._send(wire_client.message(wire_client.BINARY, b"\x01" + raw if self._dice.random() < 0.5 else raw))
        elif self.kind == "oversized":
            self._send(wire_client.message(wire_client.BINARY, bytes(OVERSIZED_BYTES)))
        elif self.kind == "flooding":
            self._send(wire_client.message(wire_client.BINARY, b"") * EMPTY_MESSAGES_A_STEP)
        elif self.kind == "deaf":
            self._send(wire_client.message(wire_client.PING, b"hear nothing"))


class Mob:
    """All vandals of a scenario, each with a card of its own."""

    def __init__(self, vandals: Vandals, tokens: Sequence[str], target: Target) -> None:
        kinds = [kind for kind in KINDS for _ in range(getattr(vandals, kind))]
        self.counts = VandalCounts()
        self.members = [
            Vandal(kind, number, tokens[number] if number < len(tokens) else "", target, self.counts)
            for number, kind in enumerate(kinds)
        ]

    def step(self) -> None:
        """A hundred times a second."""
        now_s = time.monotonic()
        for member in self.members:
            member.step(now_s)

    def close(self) -> None:
        for member in self.members:
            member.close()

"""Thousands of simulated phones' connections on one epoll loop: handshakes, messages, endings, coming back. Shell.

State is one array a quantity, a row a phone; a phone's Python objects are its socket and its bound methods, so that a
phone costs about a kilobyte. Packets are rebuilt from the bank when a phone must send some again.
"""

from __future__ import annotations

import contextlib
import errno
import heapq
import random
import select
import socket
import ssl
import struct
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadtest import messages, wire_client
from loadtest.bank import Bank
from loadtest.clocks import PhoneClocks
from loadtest.delivery import RING_S, SLACK_S
from loadtest.histogram import Histogram
from loadtest.schedule import slot_of
from loadtest.standing import CONNECTING, GREETING, OFF, REFUSED, STREAMING, UPGRADING, Counts, Target

Ints = NDArray[np.int64]

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 5.0  # before coming back; doubled each time, jittered
CONNECT_TIMEOUT_S = 10.0
FINAL_ERRORS = ("protocol", "hello", "seat", "erased")
RESET = struct.pack("ii", 1, 0)  # SO_LINGER 0: leave without a goodbye, as a phone out of reach does
OUR_OWN_FAULTS = (errno.EMFILE, errno.ENFILE, errno.EADDRNOTAVAIL, errno.ENOBUFS, errno.ENOMEM)
PACING = b"reno"  # a few hundred bytes a second need no model of the path; every kernel has it
READ_BYTES = 448  # with Python's own 33 bytes below 512, where its allocator of small objects ends
READ_TLS_BYTES = 8192
GATHER_S = 0.002  # while phones join, what arrives is read this often: a join takes three answers
# While they stream, this often: up to 50 ms more on a measured acknowledgement (which a relay gathers for up to a
# second), never less. Every 10 ms an acknowledgement costs 6 us to read, a few of them always being read cold.
CALM_GATHER_S = 0.050
MOST_EVENTS = 8192  # a gathering: 50 ms of 160,000 acknowledgements a second
BRISK_S = 0.5  # reading stays quick for this long after a phone began to connect


class Connections:
    """Phones ``first`` .. ``first + count - 1`` of the house, with their tokens. ``start_s`` is time 0, monotonic."""

    def __init__(
        self, bank: Bank, clocks: PhoneClocks, target: Target, tokens: Sequence[str], *, first: int, seed: int,
        span_s: float, start_s: float, probes: NDArray[np.int64],
    ) -> None:  # fmt: skip
        count = len(tokens)
        self.bank, self.clocks, self.target, self.tokens, self.first = bank, clocks, target, tokens, first
        self.span_s, self.start_s = span_s, start_s
        self.ring, self.slack = round(RING_S / span_s), round(SLACK_S / span_s)
        self.numbers = np.arange(first, first + count)
        self.slot = slot_of(self.numbers)
        self.wears = self.numbers % len(bank)
        self.state = np.zeros(count, np.int8)
        self.wanted = np.zeros(count, np.bool_)
        self.measures = np.zeros(count, np.bool_)
        self.sent, self.lowest, self.shift, self.highest = (np.zeros(count, np.int64) for _ in range(4))
        self.intended_s, self.tried_s = np.full(count, np.nan), np.zeros(count)
        self.quiet_until_s, self._quiet_s = np.zeros(count), 0.0  # after the second, nobody is quiet
        self.return_s = np.zeros(count)  # the moment at which the relay that sent a phone away told it to come back
        self.failures = np.zeros(count, np.int64)
        self.is_probe = np.isin(self.numbers, probes)
        self.counts, self.joins, self.acks = Counts(), Histogram(), Histogram()
        self._dice = random.Random(seed * 1009 + first)
        self._streams = [self._dice.getrandbits(63) | 1 for _ in range(count)]
        self._socks: list[socket.socket | None] = [None] * count
        self._sends: list[Callable[[bytes], int] | None] = [None] * count  # of those that stream
        self._inbox: dict[int, bytes] = {}
        self._unsent: dict[int, bytes] = {}
        self._bus: dict[int, str] = {}
        self._by_fd: dict[int, int] = {}
        self._retries: list[tuple[float, int]] = []
        self._heard: dict[int, tuple[int, float]] = {}
        self._quick: dict[int, tuple[int, Callable[[int], bytes]]] = {}  # by descriptor: plain sockets that stream
        self._brisk_until_s = self._read_at_s = 0.0
        self._poll = select.epoll()
        self._hello = messages.HelloTemplate(bank.channels)
        self._upgrade = wire_client.upgrade(f"{target.host}:{target.port}", target.path)

    def turn(self, wait_s: float) -> None:
        """Wait up to ``wait_s``, answer what arrived since the last gathering if it is time, start what is due.

        Waking for each of thousands of acknowledgements would cost more than reading them.
        """
        brisk = time.monotonic() <= self._brisk_until_s
        time.sleep(min(max(wait_s, 0.0), GATHER_S) if brisk else max(wait_s, 0.0))
        now_s = time.monotonic()
        if brisk or now_s >= self._read_at_s:
            self._read_at_s = now_s + CALM_GATHER_S
            self._answer(self._poll.poll(0, MOST_EVENTS), now_s)
        while self._retries and self._retries[0][0] <= now_s:
            _, i = heapq.heappop(self._retries)
            if self.wanted[i] and self.state[i] == OFF:
                self._connect(i, now_s)

    def _answer(self, events: Sequence[tuple[int, int]], now_s: float) -> None:
        """Nearly every event is an acknowledgement on a streaming phone: those take the short way."""
        quick, heard, inbox = self._quick, self._heard, self._inbox
        for fd, event in events:
            i, recv = quick.get(fd, (-1, None))
            if recv is None or event != select.EPOLLIN:
                if (i := self._by_fd.get(fd, -1)) >= 0:
                    self._ready(i, event, now_s)
                continue
            try:
                data = recv(READ_BYTES)
            except BlockingIOError:
                continue
            except OSError as error:
                self._lost(i, _name(error), now_s)
                continue
            number = wire_client.lone_acknowledgement(data)
            if number < 0 or i in inbox:
                self._take(i, data, now_s)
                continue
            if i in heard:
                self.settle_acks()  # each keeps the time at which it came
            heard[i] = (number, now_s)
            self.counts.acks += 1

    def settle_acks(self) -> None:
        """Fold in the acknowledgements heard since the last call; see :class:`loadtest.phones.Phones`."""
        raise NotImplementedError

    def expire(self, now_s: float) -> None:
        """Give up on connections that took too long; call about once a second."""
        self._quiet_s = float(self.quiet_until_s.max(initial=0.0))
        waiting = (self.state > OFF) & (self.state < STREAMING)
        for i in np.flatnonzero(waiting & (now_s - self.tried_s > CONNECT_TIMEOUT_S)).tolist():
            self._failed(i, "timeout", now_s)

    # -- the network -------------------------------------------------------------------------------------------

    def _connect(self, i: int, now_s: float) -> None:
        self.counts.connects += 1
        self.tried_s[i] = now_s
        self._brisk_until_s = now_s + BRISK_S
        try:
            sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        except OSError as error:
            self._failed(i, _name(error), now_s, own=error.errno in OUR_OWN_FAULTS)
            return
        sock.setblocking(False)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, PACING)
        try:
            source = self.target.source(self.first + i)
            if source is not None:
                sock.bind((source, 0))
            found = sock.connect_ex((self.target.host, self.target.port))
        except OSError as error:
            found = error.errno or errno.EIO
        if found not in (0, errno.EINPROGRESS):
            sock.close()
            self._failed(i, errno.errorcode.get(found, str(found)), now_s, own=found in OUR_OWN_FAULTS)
            return
        if self.target.tls is not None:
            sock = self.target.tls.wrap_socket(sock, server_hostname=self.target.host, do_handshake_on_connect=False)
        self._socks[i], self.state[i] = sock, CONNECTING
        self._by_fd[sock.fileno()] = i
        self._poll.register(sock.fileno(), select.EPOLLOUT)

    def _ready(self, i: int, event: int, now_s: float) -> None:
        sock = self._socks[i]
        if sock is None:
            return
        try:
            if self.state[i] == CONNECTING:
                self._connected(i, sock)
                return
            if event & select.EPOLLOUT:
                self._flush(i, sock)
            if event & (select.EPOLLIN | select.EPOLLHUP | select.EPOLLERR):
                self._read(i, sock, now_s)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError, BlockingIOError):
            return
        except OSError as error:
            self._lost(i, _name(error), now_s)

    def _connected(self, i: int, sock: socket.socket) -> None:
        failed = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if failed:
            raise OSError(failed, "connect")
        if isinstance(sock, ssl.SSLSocket):
            self._poll.modify(sock.fileno(), select.EPOLLIN | select.EPOLLOUT)
            sock.do_handshake()
        self._poll.modify(sock.fileno(), select.EPOLLIN)
        sock.send(self._upgrade)
        self.state[i] = UPGRADING

    def _read(self, i: int, sock: socket.socket, now_s: float) -> None:
        data = sock.recv(READ_TLS_BYTES)
        while isinstance(sock, ssl.SSLSocket) and sock.pending():  # deciphered already: no event will tell of it
            data += sock.recv(READ_TLS_BYTES)
        self._take(i, data, now_s)

    def _take(self, i: int, data: bytes, now_s: float) -> None:
        """What a socket gave: nothing is its end."""
        if not data:
            self._lost(i, "closed", now_s)
            return
        if i in self._inbox:
            data = self._inbox.pop(i) + data
        if self.state[i] == UPGRADING:
            head, end, data = data.partition(b"\r\n\r\n")
            if not end:
                self._inbox[i] = head
                return
            if not wire_client.upgraded(head):
                self._lost(i, "handshake " + head[9:12].decode("ascii", "replace"), now_s)
                return
            self._greet(i)
        found, rest = wire_client.messages(data)
        if rest:
            self._inbox[i] = rest
        for kind, payload in found:
            number = wire_client.acknowledged(payload)
            if number >= 0:
                if i in self._heard:
                    self.settle_acks()
                self._heard[i] = (number, now_s)
                self.counts.acks += 1
            else:
                self._message(i, kind, payload, now_s)

    def _greet(self, i: int) -> None:
        text = self._hello.text(self.tokens[i], self._streams[i], int(self.lowest[i] - self.shift[i]))
        self.state[i] = GREETING
        self._write(i, wire_client.message(wire_client.TEXT, text.encode()))

    def _message(self, i: int, kind: int, payload: bytes, now_s: float) -> None:
        if kind == wire_client.PING:
            self._write(i, wire_client.message(wire_client.PONG, payload))
        elif kind == wire_client.CLOSE:
            code = int.from_bytes(payload[:2], "big") if len(payload) >= 2 else 1005
            self._lost(i, f"close {code}", now_s)
        elif kind == wire_client.TEXT:
            self._text(i, messages.parse(payload), now_s)

    def _text(self, i: int, body: dict[str, Any], now_s: float) -> None:
        kind = body.get("type")
        if kind == "welcome":
            self._welcome(i, body, now_s)
        elif kind == "bus":
            self._bus_is(i, str(body["bus"]))
        elif kind == "later" and "from" in body:
            back = int(body["from"]) + int(self.shift[i])
            self.sent[i] = max(int(self.lowest[i]), min(int(self.sent[i]), back))
            self.quiet_until_s[i] = now_s + float(body["retry_s"])
            self._quiet_s = max(self._quiet_s, float(self.quiet_until_s[i]))
        elif kind == "later":
            self.return_s[i] = now_s + float(body["retry_s"])
        elif kind == "error":
            code = str(body["code"])
            self.counts.error(code)
            if code in FINAL_ERRORS:
                self.counts.refused += 1
                self._drop(i)
                self.state[i] = REFUSED

    def _welcome(self, i: int, body: dict[str, Any], now_s: float) -> None:
        if self.state[i] != GREETING:
            return
        if not body["consent"]["given"]:
            text = messages.consent(body["consent"]["text"])
            self._write(i, wire_client.message(wire_client.TEXT, text.encode()))
        self.state[i], self.failures[i] = STREAMING, 0
        sock = self._socks[i]
        if sock is not None:
            self._sends[i] = sock.send
            if not isinstance(sock, ssl.SSLSocket):
                self._quick[sock.fileno()] = (i, sock.recv)
        self.sent[i] = self.lowest[i]
        self.counts.welcomes += 1
        self.joins.record(now_s - self.intended_s[i])
        self._bus_is(i, str(body["bus"]))

    def _bus_is(self, i: int, name: str) -> None:
        """A new bus may have lost what it accepted: the last 15 s go out again."""
        if self._bus.get(i, name) != name and not self.is_probe[i]:  # a probe's numbers do not tell its spans
            edge = max(int(self.shift[i]), int(self.sent[i]) - self.ring)
            self.lowest[i] = self.sent[i] = min(edge, int(self.lowest[i]))
        self._bus[i] = name

    def _write(self, i: int, raw: bytes) -> None:
        sock = self._socks[i]
        if sock is None:
            return
        if i in self._unsent:
            self._unsent[i] += raw
            return
        try:
            done = sock.send(raw)
        except BlockingIOError:
            done = 0
        except OSError:
            self._drop_broken(i, "send")
            return
        if done < len(raw):
            self._stuck(i, raw[done:])

    def _stuck(self, i: int, rest: bytes) -> None:
        """The socket takes no more: the rest goes first as soon as it does, and the phone is behind until then."""
        self.counts.blocked += 1
        sock = self._socks[i]
        assert sock is not None
        self._unsent[i] = self._unsent.get(i, b"") + rest
        self.quiet_until_s[i] = self._quiet_s = float("inf")
        self._poll.modify(sock.fileno(), select.EPOLLIN | select.EPOLLOUT)

    def _flush(self, i: int, sock: socket.socket) -> None:
        rest = self._unsent.get(i, b"")
        done = sock.send(rest) if rest else 0
        if done < len(rest):
            self._unsent[i] = rest[done:]
            return
        self._unsent.pop(i, None)
        self.quiet_until_s[i] = 0.0
        self._poll.modify(sock.fileno(), select.EPOLLIN)

    # -- endings -----------------------------------------------------------------------------------------------

    def _lost(self, i: int, why: str, now_s: float) -> None:
        if self.state[i] == STREAMING:
            self.counts.cuts += 1
            self.counts.error(why)
            self._close(i)
            self.intended_s[i] = now_s
            self._again(i, now_s)
        elif self.state[i] != REFUSED:
            self._failed(i, why, now_s)

    def _failed(self, i: int, why: str, now_s: float, *, own: bool = False) -> None:
        self.counts.connect_failures += 1
        self.counts.own_faults += own
        self.counts.error(why)
        self._close(i)
        self._again(i, now_s)

    def _again(self, i: int, now_s: float) -> None:
        self.failures[i] += 1
        pause_s = min(FIRST_PAUSE_S * 2.0 ** min(int(self.failures[i]), 6), LONGEST_PAUSE_S)
        own_s, told_s = now_s + pause_s * self._dice.uniform(0.5, 1.0), float(self.return_s[i])
        heapq.heappush(self._retries, (told_s if told_s > now_s else own_s, i))

    def _drop_broken(self, i: int, why: str) -> None:
        self._lost(i, why, time.monotonic())

    def _drop(self, i: int) -> None:
        """Leave without a goodbye."""
        sock = self._socks[i]
        if sock is not None and not isinstance(sock, ssl.SSLSocket):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        self._close(i)

    def _close(self, i: int) -> None:
        if i in self._heard:
            self.settle_acks()
        sock = self._socks[i]
        if sock is not None:
            self._by_fd.pop(sock.fileno(), None)
            self._quick.pop(sock.fileno(), None)
            self._poll.unregister(sock.fileno())
            sock.close()
        self._socks[i] = self._sends[i] = None
        self.quiet_until_s[i] = 0.0
        self._inbox.pop(i, None)
        self._unsent.pop(i, None)
        if self.state[i] != REFUSED:
            self.state[i] = OFF

    def farewell(self) -> None:
        """Everybody says goodbye and goes."""
        bye = wire_client.message(wire_client.TEXT, messages.goodbye().encode())
        for i in np.flatnonzero(self.state == STREAMING).tolist():
            self._write(i, bye)
        for i, sock in enumerate(self._socks):
            if sock is not None:
                self._close(i)
        self._poll.close()


def _name(error: OSError) -> str:
    return errno.errorcode.get(error.errno or 0, type(error).__name__)

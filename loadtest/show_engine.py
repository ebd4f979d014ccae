"""The load test as a show engine: listens to the house's Open Sound Control and notes what arrived when. Shell."""

from __future__ import annotations

import asyncio
import socket
import time
from collections import deque

import numpy as np

from loadtest import osc_reader
from loadtest.heard import Heard

SILENT_STATES = (0, 4, 5, 6)  # absent, held, fading, lost: what a silent seat shows (SHOW_OUTPUT)
BUFFER_BYTES = 4 << 20  # a house of 20,000 seats sends some 100 datagrams at once
MATCH_WITHIN_S = 3.0  # a probe's waking that did not show by then is counted as missed
OPENED_S = 4.0  # a probe's whole round after the first snapshot, or after a pause in them
PLAUSIBLE_FROM_S = -0.02  # two processes' clock readings may differ by a scheduling pause


class ShowEngine:
    """Listens on a UDP port. ``woken`` tells which probe spoke again when; matches become latencies."""

    def __init__(self, port: int, seats: dict[int, int], host: str = "127.0.0.1") -> None:
        """``seats``: seat number -> phone number, for the seats whose probes are timed."""
        self.heard = Heard()
        self.expecting = True
        self._phone_of = seats
        self._state: dict[int, int] = {}
        self._live_at: dict[int, deque[float]] = {}
        self._waiting: deque[tuple[int, float]] = deque()
        self._sequence = -1
        self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
        self._sock.setblocking(False)
        self._sock.bind((host, port))
        self.port: int = self._sock.getsockname()[1]
        self._now_s = 0.0
        self._open_since_s: float | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    def open(self) -> None:
        """Begin to listen, on the running event loop."""
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._sock, self._readable)

    def close(self) -> None:
        if self._loop is not None:
            self._loop.remove_reader(self._sock)
        self._sock.close()

    def woken(self, phone: int, at_s: float) -> None:
        """A probe's first packet after its silence was due at ``at_s`` (monotonic).

        Nothing is expected while ``expecting`` is off (parts whose outputs are closed), nor in the first seconds after
        they opened. A waking that never shows counts as MATCH_WITHIN_S: left out, the worst would be hidden.
        """
        if self.expecting and self._open_since_s is not None and at_s > self._open_since_s + OPENED_S:
            self._waiting.append((phone, at_s))

    def settle(self, now_s: float) -> None:
        """Match wakings with what the seats showed; call about once a second."""
        waiting, self._waiting = self._waiting, deque()
        for phone, at_s in waiting:
            shown = self._live_at.get(phone, deque())
            while shown and shown[0] < at_s + PLAUSIBLE_FROM_S:
                shown.popleft()
            if shown and shown[0] <= at_s + MATCH_WITHIN_S:
                self._took(at_s, max(shown.popleft() - at_s, 0.0))
            elif now_s - at_s > MATCH_WITHIN_S:
                self.heard.missed += 1
                self._took(at_s, MATCH_WITHIN_S)
            else:
                self._waiting.append((phone, at_s))

    def _took(self, at_s: float, seconds: float) -> None:
        self.heard.latency.record(seconds)
        self.heard.latencies.append((at_s, seconds))

    def waits_s(self, since_s: float, now_s: float) -> list[float]:
        """How long the wakings since then that no seat has shown yet have waited."""
        return [now_s - at_s for _, at_s in self._waiting if at_s >= since_s]

    def _readable(self) -> None:
        while True:
            try:
                datagram = self._sock.recv(65536)
            except BlockingIOError:
                return
            self.receive(datagram, time.monotonic())

    def receive(self, datagram: bytes, now_s: float) -> None:
        """Take one datagram that arrived at ``now_s``."""
        self.heard.datagrams += 1
        self._now_s = now_s
        try:
            for address, arguments in osc_reader.messages(datagram):
                self._take(address, arguments)
        except osc_reader.OscError:
            self.heard.unreadable += 1

    def _take(self, address: str, arguments: tuple[object, ...]) -> None:
        heard = self.heard
        if address.endswith("/tick") and len(arguments) == 4:
            self._tick(int(arguments[0]), int(arguments[1]))  # type: ignore[call-overload]
        elif address.endswith("/seats/state"):
            self._states(np.asarray(arguments, np.int64))
        elif address.endswith("/house/arousal") and len(arguments) == 3:
            arousal, confidence, counted = (float(a) for a in arguments)  # type: ignore[arg-type]
            if self._open_since_s is None:
                self._open_since_s = self._now_s
            heard.house.append((self._now_s, arousal, confidence, int(counted)))
        elif address.endswith("/house/synchrony") and arguments:
            heard.synchrony.append((self._now_s, float(arguments[0])))  # type: ignore[arg-type]
        elif "/section/" in address and address.endswith("/arousal") and len(arguments) == 3:
            name = address.split("/section/")[1].split("/")[0]
            heard.sections[name] = (self._now_s, float(arguments[0]), int(arguments[2]))  # type: ignore[arg-type, call-overload]
        elif address.endswith("/part") and arguments:
            heard.part = str(arguments[0])

    def _tick(self, epoch: int, sequence: int) -> None:
        heard = self.heard
        if epoch != heard.epoch:
            heard.epoch, self._sequence = epoch, -1
        if sequence > self._sequence:
            heard.snapshots += 1
            if self._sequence >= 0:
                heard.lost_sequences += sequence - self._sequence - 1
            self._sequence = sequence

    def _states(self, values: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> None:
        first = int(values[0])
        for seat, state in enumerate(values[1:].tolist(), first):
            phone = self._phone_of.get(seat)
            if phone is None:
                continue
            before = self._state.get(seat, 0)
            self._state[seat] = state
            if before in SILENT_STATES and state not in SILENT_STATES:
                self._live_at.setdefault(phone, deque(maxlen=64)).append(self._now_s)

"""A swarm of simulated phones over real websockets: the demo's audience, and the tests'.

One process holds some hundreds of phones easily. Every phone packets the same spans of the evening and sends them at
its own moment within the span, keeps what was not acknowledged for 15 s, and comes back after a cut with a jittered,
growing pause. Who is away when is the audience's truth (``Audience.online``).
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from picows import WSFrame, WSListener, WSMsgType, WSTransport, ws_connect

from loadtest import messages
from loadtest.delivery import RING_S, SLACK_S, Delivery
from loadtest.packets import Bytes, blocks_of, build
from loadtest.physiology import Audience

SLOTS = 10  # phones send at ten moments of each span: enough to be spread, few enough to be cheap
CATCH_UP = 4  # packets at most that a phone sends in one slot's turn while it has a backlog
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 5.0  # before coming back after a cut; doubled each time, jittered
CONNECTING_AT_ONCE = 64  # below a listen backlog of 100
WELCOME_TIMEOUT_S = 10.0
UNHEARD_S = 10.0  # PROTOCOL.md: without an acknowledgement for this long though packets are outstanding, come back
FINAL_ERRORS = ("protocol", "hello", "seat", "erased")  # coming back would not help
SKEW_PPM = 40.0  # phones' crystals differ by some tens of parts per million (common practice)


@dataclass(slots=True)
class SwarmStatistics:
    """What the phones saw. Times in seconds; ``late_s`` is the worst lateness of the swarm's own schedule."""

    phones: int = 0
    connected: int = 0
    welcomed: int = 0
    connects: int = 0
    connect_failures: int = 0
    cuts: int = 0
    refused: int = 0
    errors: dict[str, int] = field(default_factory=dict)
    packets: int = 0
    bytes: int = 0
    resent: int = 0
    skipped: int = 0
    acks: int = 0
    acknowledged: int = 0
    late_s: float = 0.0


class Phone(WSListener):  # type: ignore[misc]  # picows has no types
    """One simulated phone: its connection and what it still has to deliver."""

    def __init__(self, swarm: Swarm, row: int, token: str, stream: int) -> None:
        super().__init__()
        self.swarm, self.row, self.token, self.stream = swarm, row, token, stream
        self.delivery = Delivery()
        self.transport: WSTransport | None = None
        self.welcomed = False
        self.refused = False
        self.failures = 0
        self.bus = ""
        self.quiet_until_s = self.return_s = 0.0
        self.heard_s = 0.0
        self.part = ""
        self.joined = asyncio.Event()

    def on_ws_connected(self, transport: WSTransport) -> None:
        self.transport = transport
        lowest = self.delivery.lowest
        text = messages.hello(self.token, self.stream, lowest, self.swarm.audience.channels)
        transport.send(WSMsgType.TEXT, text.encode())

    def on_ws_frame(self, transport: WSTransport, frame: WSFrame) -> None:
        if frame.msg_type == WSMsgType.TEXT:
            self._heard(messages.parse(frame.get_payload_as_bytes()))
        elif frame.msg_type == WSMsgType.PING:
            transport.send_pong(frame.get_payload_as_bytes())
        elif frame.msg_type == WSMsgType.CLOSE:
            transport.disconnect()

    def on_ws_disconnected(self, transport: WSTransport) -> None:
        if transport is self.transport:
            self.transport, self.welcomed = None, False

    def _heard(self, message: dict[str, Any]) -> None:
        kind = message.get("type")
        if kind == "ack":
            self.heard_s = time.monotonic()
            self.delivery.acknowledge(int(message["next"]))
            self.swarm.seen.acks += 1
        elif kind == "welcome":
            self._welcome(message)
        elif kind == "bus":
            self._bus(str(message["bus"]))
        elif kind == "later" and "from" in message:
            self.delivery.back(int(message["from"]))
            self.quiet_until_s = time.monotonic() + float(message["retry_s"])
        elif kind == "later":
            self.return_s = time.monotonic() + float(message["retry_s"])
        elif kind == "part":
            self.part = str(message["part"])
        elif kind == "error":
            code = str(message["code"])
            self.swarm.seen.errors[code] = self.swarm.seen.errors.get(code, 0) + 1
            if code in FINAL_ERRORS:
                self.refused = True
                self.joined.set()  # nobody need wait for it

    def _welcome(self, message: dict[str, Any]) -> None:
        self.part = str(message["part"])
        self.delivery.connected()
        self._bus(str(message["bus"]))
        if not message["consent"]["given"] and self.transport is not None:
            self.transport.send(WSMsgType.TEXT, messages.consent(message["consent"]["text"]).encode())
        self.welcomed, self.failures, self.heard_s = True, 0, time.monotonic()
        self.joined.set()

    def _bus(self, name: str) -> None:
        """A new bus may have lost accepted packets: the ring goes out again."""
        if self.bus and name != self.bus:
            self.delivery.rewind(self.swarm.ring)
        self.bus = name

    def send_due(self) -> int:
        """Send what exists and was not sent on this connection; how many packets left."""
        if not self.welcomed or self.transport is None or time.monotonic() < self.quiet_until_s:
            return 0
        if self.delivery.sent == self.delivery.lowest:
            self.heard_s = time.monotonic()  # nothing is outstanding, so nothing is missed
        elif time.monotonic() - self.heard_s > UNHEARD_S:
            self.cut()
            return 0
        gone = self.delivery.discard(self.swarm.ring, self.swarm.slack)
        if gone is not None:
            self.transport.send(WSMsgType.TEXT, messages.skip(*gone).encode())
        count = 0
        for number in self.delivery.due(CATCH_UP):
            raw = self.swarm.packet(number, self.row)
            self.transport.send(WSMsgType.BINARY, raw)
            self.swarm.seen.bytes += len(raw)
            count += 1
        return count

    def cut(self) -> None:
        """Lose the connection without a goodbye, as a phone out of reach does."""
        if self.transport is not None:
            self.transport.disconnect(graceful=False)


class Swarm:
    """Phones of an audience.

    Args:
        url: the relay's websocket address; ``tokens``: a seat token for each listener.
        packets_a_second: 1..10; each packet covers 1 / packets_a_second of the evening.
        seed: jitter of connecting, clocks' origins and skews.

    ``await join()`` connects everyone; ``await run(seconds)`` plays that much of the evening and returns. Time 0 of
    the programme is the moment ``run`` was first called.
    """

    def __init__(
        self, url: str, tokens: Sequence[str], audience: Audience, *, packets_a_second: int = 4, seed: int = 1
    ) -> None:
        if len(tokens) != len(audience):
            raise ValueError(f"tokens: found {len(tokens)}, needed one for each of {len(audience)} listeners")
        if not 1 <= packets_a_second <= 10:
            raise ValueError(f"packets_a_second: found {packets_a_second}, allowed 1..10")
        self.url, self.audience, self.span_s = url, audience, 1.0 / packets_a_second
        self.ring, self.slack = round(RING_S * packets_a_second), round(SLACK_S * packets_a_second)
        self.seen = SwarmStatistics(phones=len(tokens))
        self._dice = random.Random(seed)
        draw = np.random.default_rng(seed)
        self._origin_us = draw.integers(0, 10**12, len(tokens))
        self._skew = 1.0 + draw.uniform(-SKEW_PPM, SKEW_PPM, len(tokens)) * 1e-6
        self.phones = [Phone(self, row, token, self._dice.getrandbits(63)) for row, token in enumerate(tokens)]
        self._order = [self.phones[s::SLOTS] for s in range(SLOTS)]
        self._blocks: dict[int, Bytes] = {}
        self._made = 0
        self._start_s: float | None = None
        self._keepers: dict[int, asyncio.Task[None]] = {}
        self._gate = asyncio.Semaphore(CONNECTING_AT_ONCE)
        self._stopping = False
        self.out_of_reach: frozenset[int] = frozenset()  # rows that are away beside the audience's own truth

    @property
    def elapsed_s(self) -> float:
        """Time of the programme now; 0 before the start."""
        return 0.0 if self._start_s is None else time.monotonic() - self._start_s

    def packet(self, number: int, row: int) -> bytes:
        """Packet ``number`` of one phone; it must still be in the ring."""
        raw: bytes = self._blocks[number][row].tobytes()
        return raw

    def statistics(self) -> SwarmStatistics:
        """Counters so far."""
        seen = self.seen
        seen.connected = sum(p.transport is not None for p in self.phones)
        seen.welcomed = sum(p.welcomed for p in self.phones)
        seen.refused = sum(p.refused for p in self.phones)
        seen.resent = sum(p.delivery.resent for p in self.phones)
        seen.skipped = sum(p.delivery.skipped for p in self.phones)
        seen.acknowledged = sum(p.delivery.lowest - p.delivery.skipped for p in self.phones)
        return seen

    async def join(self, *, spread_s: float | None = None, timeout_s: float = 30.0) -> int:
        """Connect everyone, spread evenly with jitter; how many were welcomed within ``timeout_s``."""
        spread_s = min(5.0, len(self.phones) / 400) if spread_s is None else spread_s
        for phone in self.phones:
            if phone.row not in self._keepers:
                self._keepers[phone.row] = asyncio.create_task(self._keep(phone, self._dice.uniform(0.0, spread_s)))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                for phone in self.phones:
                    await phone.joined.wait()
        return sum(p.welcomed for p in self.phones)

    async def run(self, seconds: float, *, each_span: Callable[[float], None] | None = None) -> SwarmStatistics:
        """Play the next ``seconds`` of the programme; ``each_span`` is told the programme's time once a packet."""
        if not self._keepers:
            await self.join()
        if self._start_s is None:
            self._start_s = time.monotonic()
        until_s = self._made * self.span_s + seconds
        while self._made * self.span_s < until_s - 1e-9 and not self._stopping:
            await self._one_span()
            if each_span is not None:
                each_span(self._made * self.span_s)
        return self.statistics()

    def stop(self) -> None:
        """Make ``run`` return after the span it is in."""
        self._stopping = True

    async def close(self, *, farewell: bool = True) -> None:
        """Say goodbye (or just vanish) and let everyone go. Idempotent."""
        self._stopping = True
        for keeper in self._keepers.values():
            keeper.cancel()
        await asyncio.gather(*self._keepers.values(), return_exceptions=True)
        self._keepers.clear()
        for phone in self.phones:
            if phone.transport is not None:
                if farewell and phone.welcomed:
                    phone.transport.send(WSMsgType.TEXT, messages.goodbye().encode())
                    phone.transport.send_close()
                phone.transport.disconnect(graceful=farewell)
        await asyncio.sleep(0)

    async def _one_span(self) -> None:
        assert self._start_s is not None
        number = self._made
        await self._until((number + 1) * self.span_s)
        self._make(number)
        there = self._there((number + 1) * self.span_s)
        self._blocks.pop(number - self.ring - self.slack - 1, None)
        self._made = number + 1
        for slot, phones in enumerate(self._order):
            await self._until((number + 1 + slot / SLOTS) * self.span_s)
            for phone in phones:
                phone.delivery.make(self._made)
                if not there[phone.row]:
                    phone.cut()
                    continue
                self.seen.packets += phone.send_due()

    def _there(self, t_s: float) -> NDArray[np.bool_]:
        there = self.audience.online(t_s).copy()
        there[list(self.out_of_reach)] = False
        return there

    def _make(self, number: int) -> None:
        t0_s = number * self.span_s
        signals = self.audience.signals(t0_s, t0_s + self.span_s)
        self._blocks[number] = build(number, self._phone_us(t0_s), blocks_of(signals, t0_s))

    def _phone_us(self, t_s: float) -> NDArray[np.int64]:
        made: NDArray[np.int64] = self._origin_us + np.rint(t_s * 1e6 * self._skew).astype(np.int64)
        return made

    async def _until(self, programme_s: float) -> None:
        assert self._start_s is not None
        wait_s = self._start_s + programme_s - time.monotonic()
        self.seen.late_s = max(self.seen.late_s, -wait_s)
        await asyncio.sleep(max(wait_s, 0.0))

    async def _keep(self, phone: Phone, wait_s: float) -> None:
        """Keep one phone connected while it is meant to be there."""
        while not phone.refused:
            await asyncio.sleep(wait_s)
            if self._there(self.elapsed_s)[phone.row] and await self._connect(phone):
                assert phone.transport is not None
                await phone.transport.wait_disconnected()
                self.seen.cuts += 1
            phone.failures += 1
            pause_s = min(FIRST_PAUSE_S * 2 ** min(phone.failures, 6), LONGEST_PAUSE_S)
            told_s = phone.return_s - time.monotonic()
            wait_s = told_s if told_s > 0.0 else pause_s * self._dice.uniform(0.5, 1.0)

    async def _connect(self, phone: Phone) -> bool:
        self.seen.connects += 1
        try:
            async with self._gate, asyncio.timeout(WELCOME_TIMEOUT_S):
                await ws_connect(lambda: phone, self.url, max_frame_size=65536)
        except (OSError, TimeoutError, asyncio.CancelledError) as error:
            if isinstance(error, asyncio.CancelledError):
                raise
            self.seen.connect_failures += 1
            return False
        except Exception as error:  # a handshake that picows refuses
            name = type(error).__name__
            self.seen.errors[name] = self.seen.errors.get(name, 0) + 1
            self.seen.connect_failures += 1
            return False
        return phone.transport is not None

"""The relay's websocket endpoint, on picows: a thin listener over :class:`relay.server_core.RelayCore`.

picows is a framer: it unmasks and cuts, and closes on unknown operation codes, unmasked or oversized input and split
control messages. What it lets through is closed here: reserved bits, fragments, text that is not UTF-8, floods, peers
that never read, are silent, or are slow. ``GET /health`` and ``GET /metrics`` answer on the same port.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
import time
from dataclasses import dataclass
from http import HTTPStatus

import orjson
import picows

from relay.bus import Bus, BusStatistics
from relay.metrics import exposition
from relay.outbox import Outbox, OutboxStatistics
from relay.seat_card import Keyring
from relay.server_core import FLUSH_MS, RelayCore, monotonic_ms
from relay.server_counters import Counters
from relay.server_guard import Budget, Meter
from relay.session import Session
from relay.session_table import House
from relay.turns import gather
from relay.wire import MAX_PACKET_BYTES

log = logging.getLogger("ripieno.relay")

PHONE_PATH = "/phone"
CLOSE_WITHIN_S = 1.0  # how long a peer may take to answer a close
FLOOD_ABORT_S = 0.25  # between the close that a flooding peer is sent and the end of its connection
WRITE_BOUND_BYTES = 32_768  # a peer that leaves this much unread is cut off; an acknowledgement has 30
SEND_BUFFER_BYTES = 32_768  # the kernel's share a connection, for the same reason
READ_BUFFER_BYTES = 2_048  # grows by doubling for peers that send more at once

TEXT, BINARY = picows.WSMsgType.TEXT, picows.WSMsgType.BINARY
PING, PONG, CLOSE = picows.WSMsgType.PING, picows.WSMsgType.PONG, picows.WSMsgType.CLOSE


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySettings:
    """One relay process. Binds to loopback unless told otherwise.

    ``labels`` are the seats' printed labels in the seat plan's order; ``opens_s``, ``closes_s`` the evening's window
    in Unix seconds; ``revoked`` pairs (seat, generation). Rates are a connection's budget.

    ``gather_ms`` lets packets of many phones be handled in one turn of the loop: the whole process then rests so long
    between two turns. Only for a process that does nothing else (5 is a good choice); 0 where the engine shares it.
    """

    keyring: Keyring
    evening: str
    host: str = "127.0.0.1"
    port: int = 0
    labels: tuple[str, ...] = ()
    opens_s: float = float("-inf")
    closes_s: float = float("inf")
    revoked: frozenset[tuple[int, int]] = frozenset()
    consent_text: str = "1"
    reuse_port: bool = False
    tls: ssl.SSLContext | None = None
    flush_ms: float = FLUSH_MS
    gather_ms: float = 0.0
    handshake_s: float = 5.0
    connections: int = 30_000
    connects_per_s: float = 3_000.0
    bytes_per_s: float = 16_000.0
    bytes_burst: float = 64_000.0
    messages_per_s: float = 200.0
    messages_burst: float = 400.0
    backlog_items: int = 100_000
    backlog_bytes: int = 128 << 20


@dataclass(frozen=True, slots=True)
class RelayStatistics:
    """What /health and /metrics show: ``joined`` are the phones that stream."""

    connections: int
    joined: int
    bus_ok: bool
    counters: Counters
    refused: dict[str, int]
    outboxes: OutboxStatistics
    bus: BusStatistics


class _Silent(logging.LoggerAdapter[logging.Logger]):
    """picows logs each connection and each broken peer: a flood would become the log. Counters tell instead."""

    def isEnabledFor(self, level: int) -> bool:
        return level >= logging.CRITICAL


class PhoneListener(picows.WSListener):  # type: ignore[misc]  # picows ships no usable base type
    """One phone on picows."""

    __slots__ = (
        "_budget", "_closing", "_core", "_loop", "_read", "_samples", "_transport",
        "heard_ms", "listener", "outbox", "session", "stream",
    )  # fmt: skip

    def __init__(self, core: RelayCore, settings: RelaySettings) -> None:
        self._core = core
        self._samples = core.samples
        self._closing = False
        self._budget = Budget(
            settings.bytes_per_s, settings.bytes_burst, settings.messages_per_s, settings.messages_burst
        )
        self._read = self._budget.read
        self.listener = self.stream = 0
        self.outbox: Outbox | None = None
        self.heard_ms = core.clock_ms()
        self.session = Session(core.house, self.heard_ms)

    # --- what picows calls ----------------------------------------------------------------------------------------

    def on_ws_connected(self, transport: picows.WSTransport) -> None:
        self._transport = transport
        self._loop = asyncio.get_running_loop()
        transport.request.headers.clear()  # 1 kB that nothing reads again, for as long as the connection lives
        transport.response.headers.clear()
        below = transport.underlying_transport
        below.set_write_buffer_limits(high=WRITE_BOUND_BYTES)
        below.set_protocol(Meter(below.get_protocol(), self._heard))
        self._core.opened(self)

    def on_ws_frame(self, transport: picows.WSTransport, frame: picows.WSFrame) -> None:
        kind = frame.msg_type
        budget = self._budget
        budget.messages -= 1.0
        if self._closing:
            if kind is CLOSE:
                transport.disconnect()
            elif budget.messages < 0.0:
                self._flood()
            return
        if budget.messages < 0.0:
            self._flood()
        elif frame.rsv1 or frame.rsv2 or frame.rsv3:
            self.close(1002, "reserved bit")
        elif kind is BINARY and frame.fin:
            self._samples(self, frame.get_payload_as_bytes(), self.heard_ms)
        elif kind is TEXT and frame.fin:
            self._text(frame)
        elif kind is PING:
            transport.send_pong(frame.get_payload_as_bytes())
        elif kind is CLOSE:
            self._closed_by_peer(frame)
        elif kind is not PONG:
            self.close(1003, "fragments are not taken")

    def on_ws_disconnected(self, _transport: picows.WSTransport) -> None:
        self._closing = True
        self._core.lost(self)

    def pause_writing(self) -> None:
        """The peer does not read: nothing more can be told to it, and memory is bounded."""
        self._count(1008)
        self._closing = True
        self._transport.underlying_transport.abort()

    def resume_writing(self) -> None:
        return

    # --- what the core calls ----------------------------------------------------------------------------------------

    def send(self, text: str) -> None:
        if not self._closing:
            self._transport.send(TEXT, text)

    def ping(self) -> None:
        if not self._closing:
            self._transport.send_ping()

    def close(self, code: int, reason: str) -> None:
        if self._closing:
            return
        self._closing = True
        self._transport.send_close(code, reason)
        self._loop.call_later(CLOSE_WITHIN_S, self._transport.underlying_transport.abort)

    # --- inside -----------------------------------------------------------------------------------------------------

    def _heard(self, count: int, now_s: float) -> bool:
        self.heard_ms = now_s * 1000.0
        if self._read(count, now_s):
            return True
        self._flood()
        return False

    def _flood(self) -> None:
        """Stop reading, say why, end the connection a little later: nothing more of this peer reaches the parser.

        Not at once: a peer that is cut off at once comes back at once, and its handshakes are dearer than its flood.
        """
        self._transport.underlying_transport.pause_reading()
        if self._closing:
            return
        self._count(1008)
        self._transport.send_close(1008, "flood")
        self._closing = True
        self._loop.call_later(FLOOD_ABORT_S, self._transport.underlying_transport.abort)

    def _text(self, frame: picows.WSFrame) -> None:
        try:
            text = frame.get_payload_as_utf8_text()
        except UnicodeDecodeError:
            self._count(1007)
            self.close(1007, "not UTF-8")
            return
        self._core.text(self, text)

    def _closed_by_peer(self, frame: picows.WSFrame) -> None:
        code = frame.get_close_code()
        self._closing = True
        self._transport.send_close(1000 if int(code) < 1000 else int(code))
        self._transport.disconnect()

    def _count(self, code: int) -> None:
        closes = self._core.counters.closes
        closes[code] = closes.get(code, 0) + 1


class Relay:
    """The endpoint. ``await start(bus, settings)``, then ``port``; ``await close()`` tells the phones to come back."""

    def __init__(self) -> None:
        self.core: RelayCore
        self._settings: RelaySettings
        self._server: asyncio.Server
        self._running: asyncio.Task[None]
        self._connects, self._connects_at_s = 0.0, 0.0

    async def start(self, bus: Bus, settings: RelaySettings) -> None:
        """Listen. Raises OSError when the address cannot be bound."""
        house = House(
            settings.keyring, settings.evening, settings.labels, settings.opens_s, settings.closes_s,
            settings.revoked, settings.consent_text, unix_offset_ms=time.time() * 1000 - monotonic_ms(),
        )  # fmt: skip
        self._settings = settings
        self.core = RelayCore(
            bus, house, flush_ms=settings.flush_ms, backlog_items=settings.backlog_items,
            backlog_bytes=settings.backlog_bytes,
        )  # fmt: skip
        house.bus_id = await self.core.bus_id()
        listening = _listening_socket(settings)
        self._server = await picows.ws_create_server(
            self._route,
            sock=listening,
            ssl=settings.tls,
            backlog=4096,
            websocket_handshake_timeout=settings.handshake_s,
            enable_auto_pong=False,
            max_frame_size=MAX_PACKET_BYTES,
            read_buffer_init_size=READ_BUFFER_BYTES,
            logger_name=_Silent(logging.getLogger("picows.relay"), {}),
        )
        self.port: int = listening.getsockname()[1]
        self._running = asyncio.create_task(self.core.run(paced=settings.gather_ms > 0.0))
        self._running.add_done_callback(_ended)
        if settings.gather_ms > 0.0:
            gather(self.core, self._running, settings.gather_ms / 1000)

    async def ended(self) -> None:
        """Wait for the end of the flush; raises what ended it. Who runs a relay waits here: one that takes phones in
        and writes nothing must end in the open."""
        await asyncio.shield(self._running)

    async def close(self) -> None:
        """Stop accepting, flush, acknowledge, tell every phone when to come back, write the departures."""
        if not self._server.is_serving():
            return
        self._server.close()
        await self.core.drain(2.0)
        await self.core.each(self._send_away)
        await self.core.emptied(2 * CLOSE_WITHIN_S)
        await self.core.drain(1.0)
        self._running.cancel()
        await asyncio.gather(self._running, return_exceptions=True)

    async def set_part(self, name: str) -> None:
        """Show this part of the evening on the phones; the entry on the bus is the caller's to write."""
        await self.core.set_part(name)

    def statistics(self) -> RelayStatistics:
        """Counters and fills, without waiting."""
        core = self.core
        boxes = [box.statistics() for box in core.outboxes]
        total = OutboxStatistics(
            *(sum(getattr(box, name) for box in boxes) for name in OutboxStatistics.__dataclass_fields__)
        )
        return RelayStatistics(
            connections=len(core.phones),
            joined=core.joined,
            bus_ok=core.bus_ok,
            counters=core.counters,
            refused=dict(core.house.refused),
            outboxes=total,
            bus=core.bus.statistics(),
        )

    def _send_away(self, phone: object) -> None:
        assert isinstance(phone, PhoneListener)
        phone.send(f'{{"type":"later","retry_s":{self.core.retry_s()}}}')
        phone.close(1012, "the relay restarts")

    def _route(self, request: picows.WSUpgradeRequest) -> object:
        """picows asks what to answer: a phone, a page of text, or 404."""
        path = request.path.split(b"?")[0].decode("latin-1")
        if path == "/health":
            return _page(self._health(), "application/json", 200 if self._healthy() else 503)
        if path == "/metrics":
            return _page(exposition(self.statistics()), "text/plain; version=0.0.4; charset=utf-8")
        if path != PHONE_PATH:
            return None
        if "upgrade" not in request.headers:
            return _page(b"phones open a websocket here\n", "text/plain", HTTPStatus.UPGRADE_REQUIRED)
        return PhoneListener(self.core, self._settings) if self._admits() else _Turned(self.core)

    def _admits(self) -> bool:
        """A bound on connections and on their rate (a bucket of one second's worth)."""
        rate, now_s = self._settings.connects_per_s, time.monotonic()
        self._connects = min(rate, self._connects + (now_s - self._connects_at_s) * rate)
        self._connects_at_s = now_s
        if self._connects < 1.0 or len(self.core.phones) >= self._settings.connections:
            return False
        self._connects -= 1.0
        return True

    def _healthy(self) -> bool:
        return self.core.bus_ok and not self._running.done()

    def _health(self) -> bytes:
        core = self.core
        return orjson.dumps({
            "ok": self._healthy(), "bus": "accepting" if core.bus_ok else "away", "connections": len(core.phones),
            "joined": core.joined, "part": core.house.part, "waiting": sum(map(len, core.outboxes)),
        })  # fmt: skip


class _Turned(picows.WSListener):  # type: ignore[misc]
    """A phone that comes in a storm: told when to come back, and closed. A browser cannot read an HTTP refusal."""

    def __init__(self, core: RelayCore) -> None:
        self._core = core

    def on_ws_connected(self, transport: picows.WSTransport) -> None:
        self._core.counters.turned_away += 1
        transport.send(TEXT, f'{{"type":"later","retry_s":{self._core.return_s()}}}')
        transport.send_close(1013, "too many at once")
        asyncio.get_running_loop().call_later(CLOSE_WITHIN_S, transport.underlying_transport.abort)

    def on_ws_frame(self, transport: picows.WSTransport, frame: picows.WSFrame) -> None:
        if frame.msg_type is CLOSE:
            transport.disconnect()


def _ended(running: asyncio.Task[None]) -> None:
    """The flush ends only when it is told to: anything else is a fault that must not stay silent."""
    if not running.cancelled() and running.exception() is not None:
        log.critical("the relay has stopped flushing", exc_info=running.exception())


def _page(body: bytes, kind: str, status: int = 200) -> object:
    make = picows.WSUpgradeResponse
    headers = {"Content-Type": kind, "Cache-Control": "no-store"}
    response = (
        make.create_ok_response(body, headers) if status == 200 else make.create_error_response(status, body, headers)
    )
    return picows.WSUpgradeResponseWithListener(response, None)


def _listening_socket(settings: RelaySettings) -> socket.socket:
    """Bound, with the small send buffer that accepted connections inherit."""
    family, kind, protocol, _, address = socket.getaddrinfo(
        settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    made = socket.socket(family, kind, protocol)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if settings.reuse_port:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        made.setblocking(False)
        made.bind(address)
    except OSError:
        made.close()
        raise
    return made

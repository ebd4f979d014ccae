"""One newest value for many readers: a slow reader skips, nobody queues. Shell (asyncio)."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from dataclasses import dataclass
from typing import Generic, TypeVar

from aiohttp import WSCloseCode, WSMsgType, web

log = logging.getLogger(__name__)

PING_S = 10.0  # a reader that answers no ping for this long is gone
STUCK_S = 10.0  # a reader that takes nothing for this long is cut off
UNSENT_BYTES = 16_384  # what the kernel may hold unsent for one reader, so that it gets new values and not old ones
MAX_INCOMING_BYTES = 1024  # readers have nothing to say

T = TypeVar("T")


class Newest(Generic[T]):
    """The newest published value. ``after(number)`` waits for one newer than the caller's last."""

    def __init__(self) -> None:
        self.number = 0
        self._value: T | None = None
        self._changed = asyncio.Event()

    def publish(self, value: T) -> None:
        """Replace the value and wake every reader that waits."""
        self.number += 1
        self._value = value
        self._changed.set()
        self._changed = asyncio.Event()

    def forget(self) -> None:
        """Drop the value: a reader that comes later waits for the next, and is not given an old one."""
        self._value = None

    async def after(self, number: int) -> tuple[int, T]:
        """The newest value once it is newer than ``number`` (0: any), with its own number."""
        while self.number == number or self._value is None:
            await self._changed.wait()
        return self.number, self._value


@dataclass(slots=True)
class ReaderCounts:
    """``readers`` now, of at most ``bound``; messages ``sent``; values ``skipped`` because a reader was slow; readers
    ``cut_off`` because they took nothing; readers ``refused`` (too many, wrong token, or they spoke)."""

    bound: int
    readers: int = 0
    sent: int = 0
    skipped: int = 0
    cut_off: int = 0
    refused: int = 0


async def serve_newest(
    request: web.Request, newest: Newest[bytes] | Newest[str], counts: ReaderCounts
) -> web.WebSocketResponse:
    """Answer a websocket request with every newest value that the reader can take, until it leaves.

    Read-only: a reader that sends a message is closed with 1008 (policy).
    """
    socket_ = web.WebSocketResponse(heartbeat=PING_S, max_msg_size=MAX_INCOMING_BYTES, compress=False)
    await socket_.prepare(request)
    _keep_little(request)
    counts.readers += 1
    writer = asyncio.create_task(_write(request, socket_, newest, counts))
    try:
        message = await socket_.receive()  # returns at a message, which is one too many, or when the reader leaves
        if message.type in (WSMsgType.TEXT, WSMsgType.BINARY):
            counts.refused += 1
            await socket_.close(code=WSCloseCode.POLICY_VIOLATION, message=b"this feed is read-only")
    finally:
        counts.readers -= 1
        writer.cancel()
        with contextlib.suppress(asyncio.CancelledError, ConnectionError):
            await writer
    return socket_


async def _write(
    request: web.Request,
    socket_: web.WebSocketResponse,
    newest: Newest[bytes] | Newest[str],
    counts: ReaderCounts,
) -> None:
    number = 0
    while not socket_.closed:
        before = number
        number, value = await newest.after(number)
        counts.skipped += number - before - 1 if before else 0
        try:
            async with asyncio.timeout(STUCK_S):
                await (socket_.send_str(value) if isinstance(value, str) else socket_.send_bytes(value))
        except TimeoutError:
            counts.cut_off += 1
            if request.transport is not None:
                request.transport.abort()
            return
        except ConnectionError:
            return
        counts.sent += 1


def _keep_little(request: web.Request) -> None:
    """Let the transport and the kernel hold little, so that back pressure reaches us while values are still fresh."""
    transport = request.transport
    if transport is None:
        return
    transport.set_write_buffer_limits(high=0)
    link = transport.get_extra_info("socket")
    if link is not None and hasattr(socket, "TCP_NOTSENT_LOWAT"):
        with contextlib.suppress(OSError):
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, UNSENT_BYTES)

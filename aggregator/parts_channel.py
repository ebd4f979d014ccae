"""How parts and words travel between aggregators: the contract, and its way over Redis's pub/sub. Shell.

Best effort, newest first in importance: nothing here waits, nothing is repeated, and what does not fit is lost and
counted. A part that is lost is a part that came too late; words of presence come again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import deque
from dataclasses import dataclass
from typing import Any, Protocol

from relay.bus import BusUnavailable
from relay.redis_client import AWAY, COMMAND_LIMIT_S, Place
from relay.redis_servers import Servers

log = logging.getLogger(__name__)

SEND_BOUND = 64  # messages: a second of ticks of three portions; older than that they would be refused
TAKE_BOUND = 512  # messages: a second of ticks of all sixteen portions, and words
TAKE_BYTES = 64 << 20  # together: a second of 120,000 listeners; one message on pub/sub may be half a gigabyte
RETRY_S = 0.2  # before a lost subscription is asked for again
LISTEN_S = 0.5  # how long one reading waits, so that a cancellation never waits for longer
SILENT_S = 2.0  # no word and no answer to a ping: a server whose machine is gone says no goodbye


@dataclass(slots=True)
class ChannelCounters:
    """Messages: sent and received; lost here because a queue was full, or because the server did not take them."""

    sent: int = 0
    received: int = 0
    send_lost: int = 0
    take_lost: int = 0
    failures: int = 0


class PartsChannel(Protocol):
    """Everybody hears what anybody sends, oneself too. ``arrived`` is set when something can be taken."""

    counters: ChannelCounters
    arrived: asyncio.Event

    def send(self, raw: bytes) -> None:
        """Have it sent; returns at once. Of more than 64 that wait the oldest is lost (counted)."""
        ...

    def take(self) -> list[bytes]:
        """What came since the last call, oldest first; of more than 512, or 64 MB, the oldest are lost (counted)."""
        ...

    def waiting(self) -> tuple[int, int]:
        """Messages that wait to be sent, and to be taken."""
        ...

    async def run(self) -> None:
        """Send and listen until cancelled."""
        ...

    async def close(self) -> None:
        """Release connections; idempotent."""
        ...


class Queues:
    """Both bounded queues of a channel; what its ways have in common."""

    def __init__(self) -> None:
        self.counters = ChannelCounters()
        self.arrived = asyncio.Event()
        self.to_send: asyncio.Event = asyncio.Event()
        self._out: deque[bytes] = deque(maxlen=SEND_BOUND)
        self._in: deque[bytes] = deque()
        self._in_bytes = 0

    def send(self, raw: bytes) -> None:
        """See PartsChannel.send."""
        self.counters.send_lost += len(self._out) == SEND_BOUND
        self._out.append(raw)
        self.to_send.set()

    def take(self) -> list[bytes]:
        """See PartsChannel.take."""
        self.arrived.clear()
        made = list(self._in)
        self._in.clear()
        self._in_bytes = 0
        return made

    def waiting(self) -> tuple[int, int]:
        """See PartsChannel.waiting."""
        return len(self._out), len(self._in)

    def came(self, raw: bytes) -> None:
        """A message was received."""
        self.counters.received += 1
        self._in.append(raw)
        self._in_bytes += len(raw)
        while len(self._in) > TAKE_BOUND or self._in_bytes > TAKE_BYTES:
            self._in_bytes -= len(self._in.popleft())
            self.counters.take_lost += 1
        self.arrived.set()

    def next_out(self) -> bytes | None:
        """The oldest message to send; None when there is none."""
        if self._out:
            return self._out.popleft()
        self.to_send.clear()
        return None


class RedisParts(Queues):
    """PartsChannel by PUBLISH and SUBSCRIBE on the bus's own Redis, for one evening. In Cluster the nodes pass messages
    on among themselves; a lost connection is made anew, what was said meanwhile is not heard."""

    def __init__(self, place: Place, evening: str) -> None:
        super().__init__()
        self.servers = Servers(place)
        self._name = f"ripieno:{{{evening}:parts}}"
        self._deaf = self._mute = False

    async def run(self) -> None:
        """See PartsChannel.run."""
        tasks = [asyncio.create_task(self._send_all()), asyncio.create_task(self._listen())]
        try:
            await asyncio.gather(*tasks)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def close(self) -> None:
        """See PartsChannel.close."""
        await self.servers.close()

    async def _send_all(self) -> None:
        while True:
            await self.to_send.wait()
            while (raw := self.next_out()) is not None:
                try:
                    client = await self.servers.ask(self.servers.of(self._name.encode()), COMMAND_LIMIT_S)
                    await self.servers.ask(client.publish(self._name, raw), COMMAND_LIMIT_S)
                    self.counters.sent += 1
                    self._mute = False
                except BusUnavailable as error:
                    self.counters.failures += 1
                    if not self._mute:
                        log.warning("parts cannot be told (%s)", error)
                    self._mute = True

    async def _listen(self) -> None:
        while True:
            try:
                await self._subscribed()
            except (BusUnavailable, *AWAY) as error:
                self.counters.failures += 1
                self.servers.doubt()
                if not self._deaf:
                    log.warning("parts of other aggregators are not heard (%s)", error)
                self._deaf = True
                await asyncio.sleep(RETRY_S)

    async def _subscribed(self) -> None:
        """Hear until the connection is lost."""
        client: Any = await self.servers.ask(self.servers.of(self._name.encode()), COMMAND_LIMIT_S)
        async with client.pubsub(ignore_subscribe_messages=True) as heard:
            await self.servers.ask(heard.subscribe(self._name), COMMAND_LIMIT_S)
            try:
                await self._hear(heard)
            finally:
                with contextlib.suppress(*AWAY):
                    await heard.connection.disconnect(nowait=True)

    async def _hear(self, heard: Any) -> None:
        """Raises BusUnavailable when the server has said nothing for two seconds, not even that it is there. Asking
        through ``servers`` follows Sentinel's primary, also where this one never sends."""
        clock = asyncio.get_running_loop().time
        last_s = pinged_s = clock()
        while True:
            message = await self.servers.ask(heard.get_message(timeout=LISTEN_S), LISTEN_S + SILENT_S)
            now_s = clock()
            if message is not None:
                last_s, self._deaf = now_s, False
                if message.get("type") == "message":
                    self.came(message["data"])
            elif now_s - last_s >= SILENT_S:
                raise BusUnavailable("Redis away: silent")
            elif now_s - max(last_s, pinged_s) >= LISTEN_S:
                pinged_s = now_s
                await self.servers.ask(heard.ping(), COMMAND_LIMIT_S)

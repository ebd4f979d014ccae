"""A small relay for the swarm's tests: the independent ``websockets`` server around the real session table.

It accepts every packet at once and keeps it; ``cut_all`` drops every connection, ``lose`` renames the bus.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import time
from collections.abc import AsyncIterator

from websockets.asyncio.server import ServerConnection, serve
from websockets.exceptions import ConnectionClosed

from relay.entries import Skip
from relay.seat_card import Keyring
from relay.session import Session
from relay.session_table import Action, Close, House, Samples, Send, State, Write


class SmallRelay:
    """``kept`` holds (listener, sequence) -> packet bytes as accepted; ``repeats`` counts packets that came again."""

    def __init__(self, *, consent_text: str = "1") -> None:
        self.house = House(Keyring.generate(), "an evening", part="rest", bus_id="bus-1", consent_text=consent_text)
        self.kept: dict[tuple[int, int], bytes] = {}
        self.skipped: list[tuple[int, int, int]] = []
        self.repeats = 0
        self.holding = False
        self.port = 0
        self._live: dict[Session, ServerConnection] = {}
        self._arrived = asyncio.Event()

    @property
    def url(self) -> str:
        return f"ws://127.0.0.1:{self.port}/phone"

    async def holds(self, packets: int) -> None:
        """Wait until so many different packets were accepted (bounded by the test's time-out)."""
        while len(self.kept) < packets:
            self._arrived.clear()
            await self._arrived.wait()

    async def cut_all(self) -> None:
        for socket in list(self._live.values()):
            socket.transport.abort()
        await asyncio.sleep(0)

    async def lose(self) -> None:
        self.house.bus_id = "bus-2"
        for session, socket in list(self._live.items()):
            await self._act(session, socket, session.bus())

    async def serve_phone(self, socket: ServerConnection) -> None:
        session = Session(self.house, time.monotonic() * 1000)
        self._live[session] = socket
        with contextlib.suppress(ConnectionClosed):
            async for message in socket:
                actions = session.receive(message, time.monotonic() * 1000)
                await self._act(session, socket, actions)
                if session.unsent:  # at once: how a relay gathers acknowledgements is its own tests' matter
                    await self._act(session, socket, session.ack())
        self._live.pop(session, None)

    async def _act(self, session: Session, socket: ServerConnection, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                await socket.send(action.text)
            elif isinstance(action, Samples) and not self.holding:
                key = (session.listener, action.sequence)
                self.repeats += key in self.kept
                self.kept[key] = action.raw
                session.accepted(action.sequence)
                self._arrived.set()
            elif isinstance(action, Write):
                if isinstance(action.event, Skip):
                    self.skipped.append((session.listener, action.event.first, action.event.last))
                await self._act(session, socket, session.written(action.event))
            elif isinstance(action, Close):
                await socket.close(action.code, action.reason)

    def streaming(self) -> int:
        return sum(s.state is State.STREAMING for s in self._live)


@contextlib.asynccontextmanager
async def small_relay(*, consent_text: str = "1", tls: ssl.SSLContext | None = None) -> AsyncIterator[SmallRelay]:
    relay = SmallRelay(consent_text=consent_text)
    async with serve(relay.serve_phone, "127.0.0.1", 0, compression=None, ssl=tls) as server:
        relay.port = next(iter(server.sockets)).getsockname()[1]
        yield relay

"""The path between a phone and a relay: ordered like TCP, late when it loses; what is under way is lost in a cut."""

from __future__ import annotations

import asyncio
import contextvars
import random
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from relay.outbox import Outbox
from relay.server_core import RelayCore
from relay.session import Session
from tests.simulation.virtual_time import Host

if TYPE_CHECKING:
    from tests.simulation.phone import SimulatedPhone

CLOSE_WITHIN_S = 2.0  # the relay gives a peer this long to answer its close


class Pipe:
    """One direction: things arrive in order, each after its delay and not before the stall is over."""

    def __init__(self, dice: random.Random, delay_s: float) -> None:
        self._dice, self._delay_s = dice, delay_s
        self.free_at_s = 0.0
        self.cut = False

    def send(self, context: contextvars.Context, deliver: Callable[..., None], *args: Any) -> None:
        """``deliver(*args)`` at the other end, as the host of ``context``."""
        loop = asyncio.get_running_loop()
        if self.cut:
            return
        self.free_at_s = max(self.free_at_s, loop.time() + self._delay_s * self._dice.uniform(0.5, 2.0))
        loop.call_at(self.free_at_s, self._deliver, deliver, args, context=context)

    def stall(self, until_s: float) -> None:
        """Radio loss: nothing arrives before then, and then all of it."""
        self.free_at_s = max(self.free_at_s, until_s)

    def _deliver(self, deliver: Callable[..., None], args: tuple[Any, ...]) -> None:
        if not self.cut:
            deliver(*args)


class Connection:
    """One websocket, both ends: relay.server_core.Phone for the relay, a channel for the phone."""

    def __init__(
        self, number: int, phone: SimulatedPhone, host: Host, core: RelayCore, world: contextvars.Context,
        dice: random.Random, delay_s: float,
    ) -> None:  # fmt: skip
        self.number, self.phone, self.host, self.core, self._world = number, phone, host, core, world
        self._dice = dice
        self.up, self.down = Pipe(dice, delay_s), Pipe(dice, delay_s)
        self.closing = self.gone = False
        self.listener = self.stream = 0
        self.outbox: Outbox | None = None
        self.heard_ms = 0.0
        self.session: Session

    def __hash__(self) -> int:
        return self.number  # the relay keeps connections in a set: its order must not depend on addresses

    # --- the phone's side --------------------------------------------------------------------------------------

    def open(self) -> None:
        """The handshake reaches the relay."""
        self.up.send(self.host.context, self._opened)

    def say(self, message: str | bytes) -> None:
        """The phone sends a message."""
        self.up.send(self.host.context, self._heard, message)

    def hang_up(self) -> None:
        """The phone closes properly."""
        self.up.send(self.host.context, self._lost)

    def cut(self, relay_notices_s: float | None) -> None:
        """The network goes away under it; the relay's system notices after a while, or never (a half-open peer)."""
        self.up.cut = self.down.cut = True
        if relay_notices_s is not None:
            asyncio.get_running_loop().call_later(relay_notices_s, self._lost, context=self.host.context)

    # --- the relay's side --------------------------------------------------------------------------------------

    def _opened(self) -> None:
        self.heard_ms = self.core.clock_ms()
        self.session = Session(self.core.house, self.heard_ms)
        self.core.opened(self)
        self.down.send(self._world, self.phone.connected, self)

    def _heard(self, message: str | bytes) -> None:
        if self.closing or self.gone:
            return
        self.heard_ms = self.core.clock_ms()
        if isinstance(message, bytes):
            self.core.samples(self, message, self.heard_ms)
        else:
            self.core.text(self, message)

    def _lost(self) -> None:
        if self.gone or not hasattr(self, "session"):
            return
        self.gone = self.closing = True
        self.core.lost(self)

    def send(self, text: str) -> None:
        """See server_core.Phone."""
        if not self.closing:
            self.down.send(self._world, self.phone.told, self, text)

    def close(self, code: int, reason: str) -> None:  # noqa: ARG002
        """See server_core.Phone."""
        if self.closing:
            return
        self.closing = True
        self.down.send(self._world, self.phone.closed, self, code)
        wait_s = CLOSE_WITHIN_S if self.down.cut else CLOSE_WITHIN_S * self._dice.random()
        asyncio.get_running_loop().call_later(wait_s, self._lost, context=self.host.context)

    def ping(self) -> None:
        """See server_core.Phone: a phone that can be reached answers."""
        if not self.closing:
            self.down.send(self._world, self._pong)

    def _pong(self) -> None:
        self.up.send(self.host.context, self._ponged)

    def _ponged(self) -> None:
        self.heard_ms = self.core.clock_ms()

"""What a fault campaign keeps while it runs: the bus's entries, phones' acknowledgements, the outputs' datagrams."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from loadtest.delivery import Delivery
from loadtest.osc_reader import messages
from loadtest.swarm import Swarm
from relay.bus import BusUnavailable
from relay.bus_redis import RedisBus
from relay.entries import FIRST, Entry, Stamp
from relay.redis_client import Place

READ_EVERY_S = 0.05  # far below the 30 s that stay behind a checkpoint
READ_LIMIT, READ_LEAST = 1000, 8  # entries of each stream at once
FINISH_TRIES = 20  # of half a second and more each
SOCKET_BYTES = 4 << 20


class EntryRecorder:
    """Reads every stream from the start and keeps it in memory. ``complete_ms``: everything stamped before is here."""

    def __init__(self, place: Place, evening: str) -> None:
        self.bus = RedisBus(place, evening)
        self.streams: list[list[Entry]] = [[] for _ in range(self.bus.shards + 1)]
        self.complete_ms = 0
        self.failures = 0
        self._limit = READ_LIMIT
        self._position: dict[int, Stamp] = dict.fromkeys(range(self.bus.shards + 1), FIRST)

    async def finish(self) -> None:
        """Read to the end, asking again where the bus does not answer; gives up after a while (BusUnavailable)."""
        for _ in range(FINISH_TRIES):
            with contextlib.suppress(BusUnavailable):
                return await self.read_on()
        return await self.read_on()

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            with contextlib.suppress(BusUnavailable):
                await self.read_on()
            await asyncio.sleep(READ_EVERY_S)

    async def read_on(self) -> None:
        """All that the bus holds beyond what was read, less at once after a failure: what piled up may be more than a
        busy machine says within a command's time limit. Raises BusUnavailable."""
        try:
            now = await self.bus.now_ms()
            while entries := await self.bus.read(self._position, limit=self._limit):
                for entry in entries:
                    self._position[entry.stream] = entry.stamp
                    self.streams[entry.stream].append(entry)
        except BusUnavailable:
            self.failures += 1
            self._limit = max(READ_LEAST, self._limit // 4)
            raise
        self._limit = READ_LIMIT
        self.complete_ms = now


@dataclass(slots=True)
class WitnessedDelivery(Delivery):
    """A phone's delivery that also notes which numbers an acknowledgement was about, and how often it went back."""

    acknowledged: list[range] = field(default_factory=list)
    rewinds: int = 0

    def acknowledge(self, to: int) -> None:
        before = self.lowest
        Delivery.acknowledge(self, to)
        if self.lowest > before:
            self.acknowledged.append(range(before, self.lowest))

    def rewind(self, kept: int) -> None:
        self.rewinds += 1
        Delivery.rewind(self, kept)


def witness(swarm: Swarm) -> dict[int, WitnessedDelivery]:
    """Each stream's delivery, witnessed from now on; before the phones connect."""
    made = {}
    for phone in swarm.phones:
        phone.delivery = made[phone.stream] = WitnessedDelivery()
    return made


@dataclass(frozen=True, slots=True)
class Sent:
    """One datagram of the show engine's output, taken apart; ``heartbeat``: a status, not a snapshot."""

    at_s: float
    epoch: int
    sequence: int
    cut_ms: int
    heartbeat: bool
    values: tuple[tuple[str, tuple[float | int | str, ...]], ...]


class Datagrams:
    """Keeps every datagram as it came, with its time; decoded afterwards."""

    def __init__(self) -> None:
        self.link = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SOCKET_BYTES)
        self.link.bind(("127.0.0.1", 0))
        self.link.settimeout(0.2)
        self.port = int(self.link.getsockname()[1])
        self.raw: list[tuple[float, bytes]] = []
        self._closing = False
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while not self._closing:
            with contextlib.suppress(TimeoutError):
                datagram = self.link.recv(65536)
                self.raw.append((time.monotonic(), datagram))

    def decoded(self, since: int = 0) -> list[Sent]:
        """All that came from the datagram with that number on, in order of arrival."""
        return [_decoded(at_s, raw) for at_s, raw in list(self.raw)[since:]]

    def close(self) -> None:
        self._closing = True
        self._thread.join(5)
        self.link.close()


def _decoded(at_s: float, raw: bytes) -> Sent:
    (address, words), *rest = messages(raw)
    assert address == "/tick", address
    epoch, sequence, seconds, micros = (int(w) for w in words)
    heartbeat = any(name == "/service/status" for name, _ in rest)
    return Sent(at_s, epoch, sequence, seconds * 1000 + micros // 1000, heartbeat, tuple(rest))


@contextlib.contextmanager
def datagrams() -> Iterator[Datagrams]:
    """A show engine that only listens."""
    made = Datagrams()
    try:
        yield made
    finally:
        made.close()

"""The relay without a websocket library: sessions, outboxes, the flush to the bus, acknowledgements.

A websocket library is put on top as a :class:`Phone` a connection (relay.server does it with picows). Everything runs
in one event loop. Queues and their bounds: one :class:`relay.outbox.Outbox` a shard and one for the house's stream.
"""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from typing import Protocol

from relay.bus import Bus, BusUnavailable
from relay.bus_begin import beginning
from relay.entries import FIRST, Control, EntryError, Erase, Join, Origin, Part, Stamp, decode_control, is_packets
from relay.flush_times import FlushTimes
from relay.outbox import Item, Outbox
from relay.parts import PARTS
from relay.reread import Unseen, again_from
from relay.returns import FIRST_S, SPREAD_S, Returns
from relay.seat_card import shard_of
from relay.server_counters import Counters
from relay.session import Session
from relay.session_table import ACK_EVERY_MS, ACK_EVERY_PACKETS, Action, Close, House, Samples, Send, State, Write

log = logging.getLogger("ripieno.relay")

FLUSH_MS = 20.0  # one entry a shard at the most so often: contract 2 allows 10-20 ms, and each costs what 3 packets do
RETRY_MIN_MS, RETRY_MAX_MS = 100.0, 1_000.0  # after a refusal; the bus's own time-out is 0.5 s
HURRIED_TURNS = 3  # from a flush to the bus's socket: the append, the exchange of all shards, its first write
SWEEP_S = 1.0
SLICE = 500  # connections handled between two turns of the loop: 500 sends take about 3 ms
IDLE_PING_MS = 15_000.0  # a phone that measures sends at least twice a second
IDLE_CLOSE_MS = 30_000.0
FOLLOW_WAIT_S = 1.0
FOLLOW_EVERY_S = 0.25  # parts and erasures; at 2,000 packets a second each asking costs what 5 packets do


class Phone(Protocol):
    """One connection as the core sees it; ``heard_ms`` is when its last bytes came (monotonic)."""

    session: Session
    listener: int
    stream: int
    outbox: Outbox | None
    heard_ms: float

    def send(self, text: str) -> None: ...
    def close(self, code: int, reason: str) -> None: ...
    def ping(self) -> None: ...


def monotonic_ms() -> float:
    """The relay's clock: arrivals and ages."""
    return time.monotonic() * 1000.0


class RelayCore:
    """All phones of one relay process. ``run`` flushes until cancelled; ``drain`` empties the outboxes."""

    def __init__(
        self,
        bus: Bus,
        house: House,
        *,
        clock_ms: Callable[[], float] = monotonic_ms,
        flush_ms: float = FLUSH_MS,
        backlog_items: int = 100_000,
        backlog_bytes: int = 128 << 20,
    ) -> None:
        self.bus, self.house, self.clock_ms = bus, house, clock_ms
        self.counters = Counters()
        self.phones: set[Phone] = set()
        streams = bus.shards + 1
        self.outboxes = [Outbox(backlog_items, backlog_bytes // streams) for _ in range(streams)]
        self.bus_ok = True
        self._times = FlushTimes(flush_ms)
        self.due_ms = clock_ms() + flush_ms
        self._retry_at_ms = [0.0] * streams
        self._retry_ms = [RETRY_MIN_MS] * streams
        self._due: deque[tuple[float, Phone]] = deque()
        self._by_listener: dict[int, Phone] = {}
        self._erasing: dict[int, int] = {}  # erasures queued again: entries of each not accepted yet
        self._begin = beginning(bus)
        self._returns = Returns()
        self._empty, self._broken = asyncio.Event(), asyncio.Event()
        self._faults: list[Exception] = []
        self.hurries = 0

    @property
    def joined(self) -> int:
        """Phones that gave consent and stream."""
        return len(self._by_listener)

    async def bus_id(self) -> str:
        """The bus's replication id, or empty while it is away."""
        try:
            return await self.bus.replication_id()
        except BusUnavailable as error:
            self._set_bus(False, str(error))
            return ""

    # --- one phone ------------------------------------------------------------------------------------------------

    def opened(self, phone: Phone) -> None:
        """A connection is open and waits for its hello."""
        self.counters.opened += 1
        self.phones.add(phone)

    def text(self, phone: Phone, text: str) -> None:
        """A whole text message came."""
        self.perform(phone, phone.session.receive(text, self.clock_ms()))

    def samples(self, phone: Phone, raw: bytes, arrival_ms: float) -> None:
        """A whole binary message came; ``arrival_ms`` is when its last byte did."""
        session = phone.session
        sequence = session.take(raw)
        if sequence < 0:
            self.perform(phone, session.receive(raw, arrival_ms))
        elif phone.outbox is not None and phone.outbox.put(phone, sequence, raw, arrival_ms):
            self.counters.packets += 1
            self.counters.packet_bytes += len(raw)
        else:
            self._untaken(phone, sequence)

    def lost(self, phone: Phone) -> None:
        """The connection is gone."""
        self.perform(phone, phone.session.lost())
        self.phones.discard(phone)
        if not self.phones:
            self._empty.set()
        if self._by_listener.get(phone.listener) is phone:
            del self._by_listener[phone.listener]

    def perform(self, phone: Phone, actions: Iterable[Action]) -> None:
        """Carry out a session's actions in order."""
        for action in actions:
            if isinstance(action, Send):
                phone.send(action.text)
            elif isinstance(action, Write):
                if not self._write(phone, action):
                    return
            elif isinstance(action, Close):
                self.counters.closes[action.code] = self.counters.closes.get(action.code, 0) + 1
                phone.close(action.code, action.reason)
            elif isinstance(action, Samples):
                self.samples(phone, action.raw, action.arrival_ms)

    def _write(self, phone: Phone, action: Write) -> bool:
        """Queue a control entry; False when even the last tenth is full: the phone comes back and says it again."""
        event, session = action.event, phone.session
        if phone.outbox is None:
            phone.listener, phone.stream = session.listener, session.stream
            session.shard = shard_of(session.listener, self.bus.shards)
            phone.outbox = self.outboxes[session.shard]
        if not phone.outbox.put_event(phone, event, self.clock_ms()):
            self.counters.untaken += 1
            session.state = State.CLOSED
            phone.send(f'{{"type":"later","retry_s":{self.return_s()}}}')
            self.perform(phone, [Close(1013, "backlog full")])
            return False
        if isinstance(event, Join):
            self._claim(phone)
        elif isinstance(event, Erase):
            self.outboxes[-1].put_event(None, event, self.clock_ms())  # so that every relay learns of it
        if not session.joined and self._by_listener.get(phone.listener) is phone:
            del self._by_listener[phone.listener]  # withdrew or leaves: it streams no longer
        return True

    def _claim(self, phone: Phone) -> None:
        older = self._by_listener.get(phone.listener)
        self._by_listener[phone.listener] = phone
        if older is not None and older is not phone:
            self.perform(older, older.session.replaced())

    def _untaken(self, phone: Phone, sequence: int) -> None:
        self.counters.untaken += 1
        self.perform(phone, phone.session.untaken(sequence, self.retry_s(), self.clock_ms()))

    def retry_s(self) -> float:
        """When a phone may send again, or come back to another relay: at random, so that they do not come at once."""
        return round(FIRST_S + random.random() * SPREAD_S, 2)

    def return_s(self) -> float:
        """When a phone that this relay cannot take now may come back: so many a second that it then can."""
        return round(self._returns.next_s(self.clock_ms(), random.random()), 2)

    # --- to the bus -----------------------------------------------------------------------------------------------

    async def run(self, *, paced: bool = False) -> None:
        """Flush, acknowledge, sweep, follow the house's stream; until cancelled. ``paced``: somebody else calls
        :meth:`flush_when_due` in every turn (relay.turns)."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._fault() if paced else self._flush_loop())
            tasks.create_task(self._sweep_loop())
            tasks.create_task(self._bus_loop())
            tasks.create_task(self._follow_loop())

    async def _flush_loop(self) -> None:
        while True:
            await asyncio.sleep(max(0.0, self.due_ms - self.clock_ms()) / 1000)
            self.flush_when_due()

    async def _fault(self) -> None:
        await self._broken.wait()
        raise self._faults[0]

    def broken(self, fault: Exception) -> None:
        """A flush that somebody else called has failed: :meth:`run` ends with what it raised."""
        self._faults.append(fault)
        self._broken.set()

    def flush_when_due(self) -> None:
        """:meth:`flush` once ``due_ms`` has come."""
        now = self.clock_ms()
        if now >= self.due_ms:
            self.flush()
            self.due_ms = self._times.next_ms(now)

    def flush(self) -> None:
        """Start an append for each shard that has something waiting and none under way; send due acknowledgements."""
        now = self.clock_ms()
        for stream, box in enumerate(self.outboxes):
            if box.waiting and now >= self._retry_at_ms[stream]:
                self.hurries = HURRIED_TURNS
                self.counters.appends += 1
                self._begin(stream, box.take(now), partial(self._answered, stream, box, min(now, self.due_ms)))
        self._send_due(now)

    def _answered(self, stream: int, box: Outbox, due_ms: float, said: list[Stamp] | BusUnavailable) -> None:
        if isinstance(said, BusUnavailable):
            self._refused(stream, box, str(said))
            return
        self._times.answered(said[-1].ms, due_ms)
        self._retry_ms[stream] = RETRY_MIN_MS
        self._set_bus(True, "")
        self._accepted(box.accepted())

    def _refused(self, stream: int, box: Outbox, why: str) -> None:
        box.failed()
        self.counters.append_failures += 1
        self._retry_at_ms[stream] = self.clock_ms() + self._retry_ms[stream]
        self._retry_ms[stream] = min(2 * self._retry_ms[stream], RETRY_MAX_MS)
        self._set_bus(False, why)

    def _set_bus(self, ok: bool, why: str) -> None:
        if ok is not self.bus_ok:
            self.bus_ok = ok
            log.warning("bus %s%s", "accepts again" if ok else "does not accept: ", why)

    def _accepted(self, items: list[Item]) -> None:
        due_ms = self.clock_ms() + ACK_EVERY_MS
        self.counters.acknowledged += len(items)
        for owner, sequence, _raw, _arrival_ms, event in items:
            if owner is None:
                self._erased_again(event)
                continue
            phone: Phone = owner  # type: ignore[assignment]  # only phones are put in by this class
            if event is not None:
                self.perform(phone, phone.session.written(event))
                continue
            unsent = phone.session.accepted(sequence)
            if unsent >= ACK_EVERY_PACKETS:
                self._acknowledge(phone)
            elif unsent == 1:
                self._due.append((due_ms, phone))

    def _send_due(self, now: float) -> None:
        due = self._due
        while due and due[0][0] <= now:
            _, phone = due.popleft()
            if phone.session.unsent:
                self._acknowledge(phone)

    def _acknowledge(self, phone: Phone) -> None:
        self.counters.acks_sent += 1
        phone.send(phone.session.acknowledgement())

    async def drain(self, within_s: float) -> bool:
        """Write what is queued; True when all of it was accepted in time. Sends the acknowledgements due."""
        deadline_ms = self.clock_ms() + within_s * 1000
        while any(map(len, self.outboxes)) and self.clock_ms() < deadline_ms:
            self.flush()
            await asyncio.sleep(0.005)
        for _, phone in self._due:
            if phone.session.unsent:
                self._acknowledge(phone)
        self._due.clear()
        return not any(map(len, self.outboxes))

    async def emptied(self, within_s: float) -> None:
        """Wait until the last connection is gone, or for the time to pass."""
        self._empty.clear()
        if self.phones:
            with suppress(TimeoutError):
                async with asyncio.timeout(within_s):
                    await self._empty.wait()

    # --- all phones -----------------------------------------------------------------------------------------------

    async def each(self, what: Callable[[Phone], None]) -> None:
        """Do something for every phone, a slice at a time, so that no other phone waits for it."""
        phones = list(self.phones)
        for start in range(0, len(phones), SLICE):
            for phone in phones[start : start + SLICE]:
                what(phone)
            await asyncio.sleep(0)

    async def set_part(self, name: str) -> None:
        """The evening moves to this part: tell the phones. Raises KeyError for an unknown part."""
        PARTS[name]  # before anything changes
        if name != self.house.part:
            self.house.part = name
            await self.each(lambda phone: self.perform(phone, phone.session.part()))

    async def _sweep_loop(self) -> None:
        while True:
            await asyncio.sleep(SWEEP_S)
            self.house.unix_offset_ms = time.time() * 1000 - self.clock_ms()
            await self.each(self._sweep)

    def _sweep(self, phone: Phone) -> None:
        now = self.clock_ms()
        self.perform(phone, phone.session.tick(now))
        silent_ms = now - phone.heard_ms
        if silent_ms > IDLE_CLOSE_MS:
            self.perform(phone, [*phone.session.lost(), Close(1001, "silent")])
        elif silent_ms > IDLE_PING_MS:
            phone.ping()

    async def _bus_loop(self) -> None:
        """Notice that the bus may have lost accepted entries, and tell the phones."""
        while True:
            bus_id = await self.bus_id()
            if bus_id and bus_id != self.house.bus_id:
                if self.house.bus_id:
                    self._erase_again()
                self.house.bus_id = bus_id
                await self.each(lambda phone: self.perform(phone, phone.session.bus()))
            await asyncio.sleep(SWEEP_S)

    def _erase_again(self) -> None:
        """An erasure that was accepted must not be among what the bus lost. One that still waits is not queued twice: a
        bus that fails over again and again, and accepts nothing, must not fill the queues with them."""
        for listener in self.house.erased:
            if listener in self._erasing:
                continue
            self._erasing[listener] = 2
            event, now = Erase(listener), self.clock_ms()
            for box in (self.outboxes[shard_of(listener, self.bus.shards)], self.outboxes[-1]):
                box.put_event(None, event, now)

    def _erased_again(self, event: Control | None) -> None:
        """One of the two entries of an erasure was accepted."""
        if isinstance(event, Erase) and event.listener in self._erasing:
            self._erasing[event.listener] -= 1
            if not self._erasing[event.listener]:
                del self._erasing[event.listener]

    async def _follow_loop(self) -> None:
        """Parts and erasures as the house's stream tells them; after a failover its last 10 s again (contract 7)."""
        house, position, unseen, bus_id = self.bus.shards, FIRST, Unseen(), self.house.bus_id
        while True:
            try:
                if bus_id != self.house.bus_id:
                    position = again_from(position, await self.bus.now_ms())
                    bus_id = self.house.bus_id
                entries = await self.bus.read({house: position})
            except BusUnavailable:
                await asyncio.sleep(FOLLOW_WAIT_S)
                continue
            for entry in entries:
                position = entry.stamp
            for entry in unseen.of(entries):
                await self._follow(entry.payload)
            await asyncio.sleep(FOLLOW_EVERY_S)

    async def _follow(self, payload: bytes) -> None:
        if is_packets(payload):
            return
        try:
            event = decode_control(payload)
        except EntryError:
            self.counters.unreadable_entries += 1
            return
        if isinstance(event, Origin):
            self._times.origin(event.t0_ms, event.tick_hz)
        elif isinstance(event, Part) and event.name in PARTS:
            await self.set_part(event.name)
        elif isinstance(event, Erase) and isinstance(event.listener, int):
            self.house.erase(event.listener)
            self.outboxes[shard_of(event.listener, self.bus.shards)].forget(event.listener)
            phone = self._by_listener.get(event.listener)
            if phone is not None and phone.session.joined:
                phone.session.joined = False
                self.perform(phone, [*phone.session.lost(), Close(4004, "erased")])

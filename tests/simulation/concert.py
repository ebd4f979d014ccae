"""One concert under a seed: a house, its servers, its phones, a schedule of faults, and a quiet end to recover in."""

from __future__ import annotations

import asyncio
import contextvars
import hashlib
import logging
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

from aggregator.listeners import Kind
from relay.bus import BusUnavailable
from relay.parts import PARTS
from relay.seat_card import Keyring, issue, pseudonym
from relay.seat_plan import generated
from tests.simulation import faults
from tests.simulation.bus_server import Link, Server, Wire
from tests.simulation.disk import Disk, Mounted
from tests.simulation.faults import Fault
from tests.simulation.links import Connection
from tests.simulation.phone import SimulatedPhone
from tests.simulation.roles import AggregatorRole, RelayRole, Sent
from tests.simulation.signals import Signals
from tests.simulation.virtual_time import Host, VirtualLoop, world

EVENING = "simulated"
QUIET_S = 20.0  # at the end nothing goes wrong: long enough for every retry, backlog and return glide
RECOVERED_S = 12.0  # of it after which the house must be back


class Concert:
    """Draws everything from ``seed``; ``play`` runs it; then the invariants look at what was written down."""

    def __init__(self, seed: int, schedule: Sequence[Fault] | None = None, *, length_s: float | None = None) -> None:
        self.seed, self.dice = seed, random.Random(f"{seed}/concert")
        dice = self.dice
        self.length_s = length_s or dice.choice((30.0, 40.0, 60.0))
        self.tick_hz = dice.choice((2.0, 3.0, 4.0))
        self.flush_ms, self.checkpoint_every_s = dice.choice((15.0, 40.0)), dice.choice((4.0, 10.0))
        seats = dice.randint(8, 24)
        self.plan, self.evening = generated(seats), EVENING
        self.keyring = Keyring("1", {"1": hashlib.sha256(f"{seed}".encode()).digest()})
        self.schedule = list(schedule) if schedule is not None else faults.draw(dice, self.length_s, seats)
        self.disk = Disk(random.Random(f"{seed}/disk"))
        self.server = Server()
        self.world: contextvars.Context = world()
        self.relays: list[RelayRole] = []
        self.aggregators: list[AggregatorRole] = []
        self.every_role: list[RelayRole | AggregatorRole] = []
        self.writers: dict[object, AggregatorRole] = {}
        self.connections: list[Connection] = []
        self.sent: list[Sent] = []
        self.refusals: list[tuple[int, dict[str, object]]] = []
        self.errors: list[str] = []
        self.most_waiting = 0
        self.begun_s = 0.0
        self.quiet_ms = 0  # house time when the faults end
        self.over = False
        self.steps_s = 0.0
        self.first_offset_s = self.server.wall_offset_s
        self._incarnations = 0
        self.phones = [self._phone(seat) for seat in range(1, seats + 1)]
        self._by_listener = {phone.listener: phone for phone in self.phones}
        self.relay_count, self.aggregator_count = dice.randint(1, 3), dice.choice((2, 2, 3))
        self.backlog_items = dice.choice((100_000, 100_000, 60))

    def _phone(self, seat: int) -> SimulatedPhone:
        token = issue(self.keyring, self.evening, seat)
        kind = self.dice.choice(("full", "skin", "pulse") if self.seed % 3 == 0 else ("skin",))
        signals = Signals(self.seed * 1000 + seat, kind, 0.5, self.length_s + QUIET_S + 20)
        listener = pseudonym(self.keyring, self.evening, token)
        phone = SimulatedPhone(self, seat, token, listener, signals, f"{self.seed}/phone/{seat}")
        phone.declines = phone.dice.random() < 0.05
        return phone

    # --- what the phones and roles ask -------------------------------------------------------------------------

    def connect(self, phone: SimulatedPhone) -> Connection | None:
        """Through the load balancer to a relay that answers."""
        answering = [relay for relay in self.relays if relay.takes()]
        if not answering:
            return None
        relay = phone.dice.choice(answering)
        number = len(self.connections)
        dice = random.Random(f"{self.seed}/connection/{number}")
        made = Connection(number, phone, relay.host, relay.core, self.world, dice, phone.delay_s)
        self.connections.append(made)
        return made

    def numbers(self, listener: int, stream: int, kind: int) -> dict[int, int]:
        """Phone time of the first sample -> packet number, of a stream whose first channel is of this kind."""
        phone = self._by_listener.get(listener)
        if phone is None:
            return {}
        if (Kind.PULSE if phone.signals.kind == "pulse" else Kind.SKIN) != kind:
            return {}
        return next((s.by_time for s in phone.streams if s.number == stream), {})

    # --- playing -----------------------------------------------------------------------------------------------

    def play(self) -> Concert:
        """The whole concert; returns itself."""
        loop = VirtualLoop()
        loop.set_exception_handler(self._unhandled)
        with Mounted(self.disk), _seeded(self.seed), _silent():
            try:
                loop.run_until_complete(self._play())
            finally:
                loop.close()
        return self

    def _unhandled(self, _loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        if not self.over:
            self.errors.append(f"{context.get('message')}: {context.get('exception')!r}")

    async def _play(self) -> None:
        loop = asyncio.get_running_loop()
        self.begun_s = loop.time()
        for i in range(self.relay_count):
            self._start_relay(i)
        for i in range(self.aggregator_count):
            self._start_aggregator(i)
        tasks = [loop.create_task(self._operator()), loop.create_task(self._samples())]
        for phone in self.phones:
            loop.call_later(phone.dice.uniform(2.0, 6.0), phone.begin)
            tasks.append(loop.create_task(phone.run()))
        for fault in self.schedule:
            await asyncio.sleep(max(0.0, self.begun_s + fault.at_s - loop.time()))
            self._happen(fault)
        await asyncio.sleep(max(0.0, self.begun_s + self.length_s - loop.time()))
        self._heal()
        self.quiet_ms = self.server.now_ms()
        await asyncio.sleep(QUIET_S)
        self._look_at_roles()
        await self._end()

    async def _end(self) -> None:
        self.over = self.server.over = self.disk.over = True
        for role in self.every_role:
            role.host.exhume()
        others = [t for t in asyncio.all_tasks() if t is not asyncio.current_task()]
        while others:
            for task in others:
                task.cancel()
            await asyncio.wait(others, timeout=5.0)
            others = [t for t in asyncio.all_tasks() if t is not asyncio.current_task()]

    def _look_at_roles(self) -> None:
        for role in self.every_role:
            if role.task.done() and not role.task.cancelled() and role.task.exception() is not None:
                self.errors.append(f"{role.host.name} died: {role.task.exception()!r}")

    async def _samples(self) -> None:
        """Look at the queues now and then."""
        while True:
            waiting = sum(len(box) for relay in self.relays for box in relay.core.outboxes)
            self.most_waiting = max(self.most_waiting, waiting)
            await asyncio.sleep(0.5)

    async def _operator(self) -> None:
        """The evening's parts, through whichever aggregator leads; said again until it was taken."""
        for at_s, part in ((1.0, "rest"), (28.0, "piece")):
            assert part in PARTS
            await asyncio.sleep(max(0.0, self.begun_s + at_s - asyncio.get_running_loop().time()))
            done = False
            while not done:
                await asyncio.sleep(0.5)
                lead = self.lead()
                if lead is not None and lead.service is not None:
                    task = lead.host.start(lead.service.set_part(part))
                    with suppress(BusUnavailable):
                        done = bool((await asyncio.wait([task], timeout=4.0))[0])
                        if done:
                            await task

    # --- roles -------------------------------------------------------------------------------------------------

    def lead(self) -> AggregatorRole | None:
        """Who leads now."""
        for role in self.aggregators:
            if not role.host.dead and role.service is not None and role.service.leadership.leads():
                return role
        return None

    def _start_relay(self, i: int) -> None:
        self._incarnations += 1
        name = f"relay-{i}.{self._incarnations}"
        role = RelayRole(self, name, random.Random(f"{self.seed}/{name}"), backlog_items=self.backlog_items)
        self.relays[i : i + 1] = [role]
        self.every_role.append(role)

    def _start_aggregator(self, i: int) -> None:
        self._incarnations += 1
        name = f"aggregator-{i}.{self._incarnations}"
        role = AggregatorRole(self, name, random.Random(f"{self.seed}/{name}"))
        self.writers[role.path] = role
        self.aggregators[i : i + 1] = [role]
        self.every_role.append(role)

    def _kill(self, roles: Sequence[RelayRole | AggregatorRole], i: int, seconds: float) -> None:
        role = roles[i]
        if role.host.dead:
            return
        role.host.kill()
        loop = asyncio.get_running_loop()
        quick = self.dice.random() < 0.7  # the process dies and its system resets the connections; else the machine
        for connection in self.connections:
            if connection.host is role.host:
                connection.cut(None)
                if quick:
                    loop.call_later(self.dice.uniform(0.01, 0.5), connection.phone.closed, connection, 1006)
        start = self._start_relay if isinstance(role, RelayRole) else self._start_aggregator
        loop.call_later(max(1.0, seconds), self._again, role.host, start, i)

    def _again(self, host: Host, start: Callable[[int], None], i: int) -> None:
        roles = self.relays if start == self._start_relay else self.aggregators
        if roles[i].host is host and not self.over:
            start(i)

    def _pause(self, host: Host, seconds: float) -> None:
        host.pause()
        asyncio.get_running_loop().call_later(seconds, host.wake)

    def _set_link(self, wire: Wire, state: Link, seconds: float) -> None:
        wire.state = state
        asyncio.get_running_loop().call_later(seconds, setattr, wire, "state", Link.GOOD)

    # --- faults ------------------------------------------------------------------------------------------------

    def _happen(self, fault: Fault) -> None:
        kind = fault.kind
        if kind.startswith("bus-"):
            self._to_bus(fault)
        elif kind.startswith("disk-"):
            self._to_disk(fault)
        elif kind.startswith(("relay-", "lead-", "spare-")):
            self._to_role(fault)
        else:
            self._to_phone(self.phones[fault.who % len(self.phones)], fault)

    def _to_phone(self, phone: SimulatedPhone, fault: Fault) -> None:
        if phone.off or not phone.streams:
            return
        if fault.kind == "cut":
            phone.act_cut(fault.seconds, half_open=fault.detail == "half-open")
        elif fault.kind == "stall":
            phone.act_stall(fault.seconds)
        elif fault.kind == "clock":
            phone.act_clock(fault.seconds)
        else:
            getattr(phone, f"act_{fault.kind}")()

    def _to_role(self, fault: Fault) -> None:
        which, _, what = fault.kind.partition("-")
        roles: Sequence[RelayRole | AggregatorRole] = self.relays if which == "relay" else self.aggregators
        lead = self.lead()
        if which == "relay":
            i = fault.who % len(roles)
        else:
            places = [p for p, r in enumerate(self.aggregators) if (r is lead) == (which == "lead")]
            if not places:
                return
            i = places[fault.who % len(places)]
        if what == "kill":
            self._kill(roles, i, fault.seconds)
        elif what == "pause":
            self._pause(roles[i].host, fault.seconds)
        else:
            self._set_link(roles[i].wire, Link(fault.detail), fault.seconds)

    def _to_bus(self, fault: Fault) -> None:
        server, now = self.server, asyncio.get_running_loop().time()
        if fault.kind == "bus-stall":
            server.stalled_until_s = now + fault.seconds
        elif fault.kind == "bus-away":
            server.away_until_s = now + fault.seconds
        elif fault.kind == "bus-failover":
            behind_s = float(fault.detail or 0)
            server.fail_over(self.dice.uniform(0.0, 1.5), fault.seconds, behind_s)
            self.steps_s += behind_s
        else:
            server.wall_offset_s += fault.seconds
            self.steps_s += abs(fault.seconds)

    def _to_disk(self, fault: Fault) -> None:
        loop = asyncio.get_running_loop()
        if fault.kind == "disk-full":
            self.disk.full = True
            loop.call_later(fault.seconds, setattr, self.disk, "full", False)
        elif fault.kind == "disk-slow":
            self.disk.slow_s = 2.0
            loop.call_later(fault.seconds, setattr, self.disk, "slow_s", 0.02)
        elif self.disk.files:
            self.disk.damage(self.dice.choice(sorted(self.disk.files)))

    def _heal(self) -> None:
        """Nothing goes wrong any more: what is down starts, what is away comes back."""
        now = asyncio.get_running_loop().time()
        self.disk.full, self.disk.slow_s = False, 0.02
        # A failover takes its time: over within a lease, its new primary (without leases) would make a second lead.
        self.server.stalled_until_s = min(self.server.stalled_until_s, now)
        both: tuple[tuple[Sequence[RelayRole | AggregatorRole], Callable[[int], None]], ...] = (
            (self.relays, self._start_relay),
            (self.aggregators, self._start_aggregator),
        )
        for roles, start in both:
            for i, role in enumerate(list(roles)):
                role.wire.state = Link.GOOD
                if role.host.paused:
                    role.host.wake()
                if role.host.dead:
                    start(i)
        for phone in self.phones:
            phone.offline_until_s = min(phone.offline_until_s, now)
            if phone.answer.value == "no" and phone.dice.random() < 0.3:
                phone.act_return()


@contextmanager
def _seeded(seed: int) -> Iterator[None]:
    """The relay spreads returns with the module-wide random source: seeded here, and given back."""
    before = random.getstate()
    random.seed(seed)
    try:
        yield
    finally:
        random.setstate(before)


@contextmanager
def _silent() -> Iterator[None]:
    """Hundreds of foreseen warnings a concert: not on the screen."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)

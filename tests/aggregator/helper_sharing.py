"""Several aggregators that share a house, under a virtual clock: hosts that are paused and killed, one bus, one hub."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np

from aggregator import saved
from aggregator.collector import Lists
from aggregator.engine import Engine, EngineSettings
from aggregator.leadership import Leadership, Leased, Watching
from aggregator.merger import Merger
from aggregator.parts_channel import Queues
from aggregator.portion_files import newest_file
from aggregator.portions import Portions, shards_of
from aggregator.shared_service import SharedService, SharingSettings
from aggregator.snapshot import Snapshot
from relay.entries import Merged, decode_control, is_packets
from relay.seat_plan import generated
from tests.aggregator.helper_engine import evening
from tests.aggregator.helper_signals import T0_MS, house
from tests.simulation.bus_server import Server, SimulatedBus, SimulatedLeases, Wire
from tests.simulation.virtual_time import Host, VirtualLoop, world

HZ = 5.0
SEATS = 24
PLAN = generated(SEATS)
SETTINGS = EngineSettings(rest_s=10.0)
BEGIN_S = 5.0  # the first phone: every portion is warm everywhere by then
HOP_S = 0.001  # a message's way through the hub


@dataclass
class Hub:
    """Everybody hears what anybody sends; who is stopped hears it when woken, as from a socket's buffer."""

    channels: list[HubChannel] = field(default_factory=list)

    def say(self, raw: bytes) -> None:
        for channel in self.channels:
            asyncio.get_running_loop().call_later(HOP_S, channel.came, raw, context=channel.host.context.copy())


class HubChannel(Queues):
    """PartsChannel for one host. ``deaf``: nothing is heard."""

    def __init__(self, hub: Hub, host: Host) -> None:
        super().__init__()
        self.hub, self.host = hub, host
        self.sent: list[bytes] = []
        hub.channels.append(self)

    async def run(self) -> None:
        while True:
            await self.to_send.wait()
            while (raw := self.next_out()) is not None:
                self.sent.append(raw)
                self.hub.say(raw)

    async def close(self) -> None:
        """Nothing to release."""


@dataclass
class One:
    """One aggregator: what it handed to the outputs, what it showed on its page."""

    name: str
    host: Host
    channel: HubChannel
    service: SharedService
    sent: list[Snapshot] = field(default_factory=list)
    shown: list[Snapshot] = field(default_factory=list)
    task: asyncio.Task[None] | None = None


class _Kept:
    """A sink that keeps snapshots."""

    def __init__(self, into: list[Snapshot]) -> None:
        self.into = into

    def send(self, snapshot: Snapshot, now_s: float) -> None:  # noqa: ARG002
        self.into.append(snapshot)

    def beat(self, now_s: float, role: str) -> None:
        """Not needed."""


class SharedHouse:
    """``start``, then let time pass; ``sent`` are all leads' snapshots in the order they were sent."""

    def __init__(self, of: int, folder: Path, seed: int = 1) -> None:
        self.of, self.folder, self.dice = of, folder, random.Random(seed)
        self.server, self.hub = Server(), Hub()
        self.every: dict[str, One] = {}
        self.sent: list[Snapshot] = []
        self.t0_ms = 0
        self.begun_s = 0.0

    def start(self, name: str, *, watch: bool = False) -> One:
        """A new process of that name."""
        host = Host(name, offset_s=self.dice.uniform(0, 1e5), rate=1 + self.dice.uniform(-1e-4, 1e-4))
        wire = Wire(self.server, random.Random(f"{name}/{len(self.hub.channels)}"), world())
        bus, store, channel = SimulatedBus(wire), SimulatedLeases(wire), HubChannel(self.hub, host)
        if not self.t0_ms:
            self.t0_ms = self.server.now_ms()
        first = int((self.server.now_ms() - self.t0_ms) * HZ / 1000)
        portions = Portions(self.of, self.t0_ms, HZ, k=first - 1)
        leadership: Leadership = Watching() if watch else Leased(store, name, clock=host.clock)
        service = SharedService(
            bus, portions, Merger(PLAN, tick_hz=HZ), [_Kept(self.sent)],
            SharingSettings(name, self.folder, 4.0, takes_part=not watch), store=store, channel=channel,
            build=self._build, leadership=leadership, clock=host.clock,
        )  # fmt: skip
        one = One(name, host, channel, service)
        service.on_snapshot.append(one.sent.append)
        service.watchers = (_Kept(one.shown),)
        one.task = host.start(service.run())
        self.every[name] = one
        return one

    def _build(self, portion: int) -> tuple[Engine, str]:
        kept, owned = newest_file(self.folder, portion, self.of, self.t0_ms), shards_of(portion, self.of)
        if kept is None:
            return Engine(PLAN, SETTINGS, owned=owned, t0_ms=self.t0_ms, tick_hz=HZ), ""
        return Engine.restore(kept.image, PLAN, SETTINGS, owned=owned, epoch=0), kept.bus

    def phones(self, seconds: float) -> None:
        """A house that sends from BEGIN_S on."""
        entries = evening(house(SEATS), seconds, "piece").entries
        self.begun_s = asyncio.get_running_loop().time() + BEGIN_S
        loop = asyncio.get_running_loop()
        for entry in entries:
            at_s = self.begun_s + (entry.stamp.ms - T0_MS) / 1000
            loop.call_at(at_s, self.server.append, entry.stream, [entry.payload], context=world())

    def owners(self) -> dict[int, list[str]]:
        """Who believes to own each portion now, of those that run."""
        alive = [one for one in self.every.values() if not one.host.dead and not one.host.paused]
        return {p: [o.name for o in alive if p in o.service.owned()] for p in range(self.of)}

    def lead(self) -> One:
        """The one that may send."""
        alive = [one for one in self.every.values() if not one.host.dead and not one.host.paused]
        (lead,) = [one for one in alive if one.service.leadership.leads()]
        return lead

    async def stop(self, one: One) -> None:
        """An orderly end."""
        one.service.stop()
        assert one.task is not None
        await one.task
        del self.every[one.name]
        self.hub.channels.remove(one.channel)

    def kill(self, one: One) -> None:
        one.host.kill()
        self.hub.channels.remove(one.channel)

    def replay(self, until: int) -> dict[int, Snapshot]:
        """Every tick from the entries that the bus kept, a portion an engine, leaving out what the lists name."""
        engines = [
            Engine(PLAN, SETTINGS, owned=shards_of(p, self.of), t0_ms=self.t0_ms, tick_hz=HZ) for p in range(self.of)
        ]
        merger = Merger(PLAN, tick_hz=HZ)
        for engine in engines:
            for stream in (*engine.owned, self.server.shards):
                engine.ingest(self.server.log[stream])
        lists, made = Lists(self.lists()), {}
        for k in range(until + 1):
            collected = lists.collected(k, [engine.tick(k) for engine in engines])
            if collected.parts:
                made[k] = merger.publish(collected.parts, missing=collected.missing)
        return made

    def whole(self, until: int) -> dict[int, Snapshot]:
        """Every tick by one engine that computes all shards, nothing left out."""
        engine, merger = Engine(PLAN, SETTINGS, t0_ms=self.t0_ms, tick_hz=HZ), Merger(PLAN, tick_hz=HZ)
        for log in self.server.log:
            engine.ingest(log)
        return {k: merger.publish([engine.tick(k)]) for k in range(until + 1)}

    def lists(self) -> list[Merged]:
        """The entries about what was missing, in their order."""
        told = [decode_control(e.payload) for e in self.server.log[self.server.shards] if not is_packets(e.payload)]
        return [event for event in told if isinstance(event, Merged)]


def differences(a: Snapshot, b: Snapshot, *, but: Sequence[str] = ("sequence", "epoch", "counters")) -> list[str]:
    """Names of the fields in which two snapshots differ in any bit."""
    found = []
    for f in fields(Snapshot):
        x, y = getattr(a, f.name), getattr(b, f.name)
        equal = x.tobytes() == y.tobytes() if isinstance(x, np.ndarray) else repr(x) == repr(y)
        if f.name not in but and not equal:
            found.append(f.name)
    return found


def play(scene: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run a scene in virtual time; whatever still runs at its end is cancelled."""
    loop = VirtualLoop()
    problems: list[str] = []
    loop.set_exception_handler(lambda _, context: problems.append(str(context)))
    try:
        loop.run_until_complete(_ended(scene))
    finally:
        loop.close()
    assert not problems


async def _ended(scene: Callable[[], Coroutine[Any, Any, None]]) -> None:
    made: list[Host] = []
    started = Host.__init__

    def noticed(self: Host, *args: Any, **options: Any) -> None:
        started(self, *args, **options)
        made.append(self)

    Host.__init__ = noticed  # type: ignore[method-assign]
    try:
        await scene()
    finally:
        Host.__init__ = started  # type: ignore[method-assign]
        for host in made:
            host.exhume()
        rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)


def saved_portions(folder: Path) -> list[saved.Saved]:
    """All files of portions."""
    return [saved.unpack(path.read_bytes()) for path in sorted(folder.glob("*.portion"))]

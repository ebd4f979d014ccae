"""The campaign itself: a scaled-out house under load, and what is done to it at random moments."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

from aggregator.command import settings as evening
from aggregator.leases_redis import RedisLeaseStore
from loadtest.physiology import Audience
from loadtest.programme import demo
from loadtest.swarm import Swarm
from relay.bus import BusUnavailable
from relay.redis_client import parse_url
from tests.faults_bus import FaultyBus
from tests.faults_witness import Datagrams, EntryRecorder, WitnessedDelivery, witness
from tests.redis_servers import Server
from tests.system.helper_receiver import until
from tests.system.helper_scaled import Process, ScaledHouse

AGGREGATORS, RELAYS = ("a", "b"), ("r1", "r2")
RELAY_WORDS = ("--workers", "2", "--one-of-many")  # two relays share the port, as the workers of one command do
REST_S = 10.0  # the shortest resting baseline: values move soon
STOPPED_S = (2.0, 4.0)  # how long a SIGSTOP lasts
RESTART_S = (0.1, 1.0)  # a container engine starts again after a tenth of a second, and more each time
WHOLE_S = 40.0  # a failover and a full synchronisation of the replica
ASK_EVERY_S = 0.1  # the bus, whether it takes a write: far below the limits that are judged
WARM_AFTER_S = 3.0  # a spare that has run this long undisturbed is warm
KINDS = tuple(f"{role}-{what}" for role in ("relay", "lead", "spare", "bus") for what in ("kill", "stop"))


@dataclass(frozen=True, slots=True)
class Plan:
    """How large and how long. ``rest_s``: before the piece; ``pause_s``: at most between a house that is whole again
    and the next moment; ``settle_s``: after the last one; ``cold``: end with both aggregators killed; ``kinds``: these
    and no others, in this order."""

    phones: int = 500
    moments: int = 20
    seed: int = 1
    rest_s: float = 12.0
    pause_s: float = 4.0
    settle_s: float = 12.0
    cold: bool = True
    kinds: tuple[str, ...] = ()


@dataclass(slots=True)
class Moment:
    """One thing that was done: when (steady clock), what, to whom; ``warm``: the other aggregator could take over."""

    at_s: float
    kind: str
    who: str
    seconds: float
    warm: bool = False
    datagram: int = 0
    whole_s: float = 0.0


@dataclass
class Outcome:
    """Everything that the judge needs. ``refusals``: from when to when the bus took no write (steady clock)."""

    plan: Plan
    recorder: EntryRecorder
    deliveries: dict[int, WitnessedDelivery]
    engine: Datagrams
    settings: evening.Settings
    t0_ms: int = 0
    tick_hz: float = 20.0
    moments: list[Moment] = field(default_factory=list)
    refusals: list[tuple[float, float]] = field(default_factory=list)
    deaths: list[str] = field(default_factory=list)
    connected: int = 0
    cuts: int = 0
    packets: int = 0
    length_s: float = 0.0


def schedule(plan: Plan, dice: random.Random) -> list[str]:
    """What happens, in order: shuffled rounds of every kind, so that short runs leave no role out by chance."""
    if plan.kinds:
        return list(plan.kinds)
    made: list[str] = []
    while len(made) < plan.moments:
        made += dice.sample(KINDS, len(KINDS))
    return made[: plan.moments]


class Campaign:
    """One run; ``say`` is told each moment as it happens."""

    def __init__(
        self, plan: Plan, bus: FaultyBus, house: ScaledHouse, engine: Datagrams, say: Callable[[str], None]
    ) -> None:
        self.plan, self.bus, self.house, self.say = plan, bus, house, say
        self.dice = random.Random(plan.seed)
        path = house.folder / "evening.toml"
        path.write_text(path.read_text() + f"[engine]\nrest_s = {REST_S}\n")
        self.settings = evening.load(path)
        self.place = parse_url(bus.url)
        self.swarm = Swarm(house.phone_url, house.tokens(), Audience(plan.phones, plan.seed, demo(600)))
        recorder = EntryRecorder(self.place, self.settings.evening.id)
        self.outcome = Outcome(plan, recorder, witness(self.swarm), engine, self.settings)
        self._disturbed_s: dict[str, float] = {}

    async def run(self) -> Outcome:
        """Start the house, let things happen, end; the outcome is not judged yet."""
        await self._start()
        reading = asyncio.create_task(self.outcome.recorder.run())
        asking = asyncio.create_task(self._ask_the_bus())
        begun = time.monotonic()
        try:
            async with self._playing():
                await self._happenings()
                await asyncio.sleep(self.plan.settle_s)
            await asyncio.sleep(2.0)  # a second's acknowledgements, and what the engine publishes of them
            await self.outcome.recorder.finish()
        finally:
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)
            reading.cancel()
            (ended,) = await asyncio.gather(reading, return_exceptions=True)
            if not isinstance(ended, asyncio.CancelledError):
                self.outcome.deaths.append(
                    f"the campaign's own recorder ended with {ended!r}: what is lost is not known"
                )
            seen = self.swarm.statistics()
            self.outcome.connected, self.outcome.cuts, self.outcome.packets = seen.welcomed, seen.cuts, seen.packets
            self.outcome.length_s = time.monotonic() - begun
            await self.swarm.close(farewell=False)
            await self.outcome.recorder.bus.close()
        return self.outcome

    async def _ask_the_bus(self) -> None:
        """Note when it takes no write, by a lease of the campaign's own."""
        store, since_s = RedisLeaseStore(self.place, self.settings.evening.id), 0.0
        try:
            while True:
                asked_s = time.monotonic()
                try:
                    await store.acquire("campaign", "campaign", 1000)
                except BusUnavailable:
                    since_s = since_s or asked_s
                else:
                    if since_s:
                        self.outcome.refusals.append((since_s, time.monotonic()))
                    since_s = 0.0
                await asyncio.sleep(ASK_EVERY_S)
        finally:
            await store.close()

    async def _start(self) -> None:
        for name in AGGREGATORS:
            await asyncio.to_thread(self.house.start, "aggregate", name)
        for name in RELAYS:
            await asyncio.to_thread(self.house.start, "relay", name, *RELAY_WORDS)
        await asyncio.to_thread(until, lambda: self.house.leads() != "", 20, "a lead")
        store = RedisLeaseStore(self.place, self.settings.evening.id)
        t0, hz = (await store.remember("origin", "0 20")).split()
        await store.close()
        self.outcome.t0_ms, self.outcome.tick_hz = int(t0), float(hz)
        await self.house.set_part("rest")
        joined = await self.swarm.join()
        assert joined == self.plan.phones, f"{joined} of {self.plan.phones} phones were welcomed"

    @contextlib.asynccontextmanager
    async def _playing(self) -> AsyncIterator[None]:
        playing = asyncio.create_task(self.swarm.run(3600.0))
        try:
            await asyncio.sleep(self.plan.rest_s)
            await self.house.set_part("piece")
            checkpoints = self.house.folder / "checkpoints"
            await asyncio.to_thread(until, lambda: any(checkpoints.glob("*.checkpoint")), 20, "a checkpoint")
            yield
        finally:
            self.swarm.stop()
            await playing

    async def _happenings(self) -> None:
        for kind in schedule(self.plan, self.dice):
            await self._whole()
            await asyncio.sleep(self.dice.uniform(0.25, 1.0) * self.plan.pause_s)
            await self._happen(kind)
        await self._whole()
        if self.plan.cold:
            await asyncio.sleep(WARM_AFTER_S)
            await self._cold()
            await self._whole()

    async def _happen(self, kind: str) -> None:
        role, _, what = kind.partition("-")
        victim = await asyncio.to_thread(self._victim, role)
        if victim is None:
            return
        name, process = victim
        stop = what == "stop"
        seconds = self.dice.uniform(*(STOPPED_S if stop else RESTART_S))
        moment = self._note(kind, name, seconds)
        moment.warm = role == "lead" and self._is_warm(name)
        if stop:
            process.send_signal(signal.SIGSTOP)
            await asyncio.sleep(seconds)
            process.send_signal(signal.SIGCONT)
        else:
            process.kill()
            await asyncio.to_thread(process.wait, 10)
            await asyncio.sleep(seconds)
            await self._again(name)
        await self._whole()
        self._disturbed_s[name] = time.monotonic()  # who follows a bus that has just come back still catches up
        moment.whole_s = time.monotonic() - moment.at_s

    def _note(self, kind: str, who: str, seconds: float) -> Moment:
        moment = Moment(time.monotonic(), kind, who, seconds, datagram=len(self.outcome.engine.raw))
        self.outcome.moments.append(moment)
        self.say(f"{len(self.outcome.moments):3d}  {kind:10s} {who:10s} {seconds:4.1f} s")
        return moment

    def _victim(self, role: str) -> tuple[str, Process] | None:
        if role == "relay":
            name = self.dice.choice(RELAYS)
            return name, self.house.processes[name]
        if role == "bus":
            server = self.bus.primary(self.dice)
            return f"bus {server.port}", server.process  # type: ignore[return-value]
        lead = self.house.leads()
        name = lead if role == "lead" else next(n for n in AGGREGATORS if n != lead)
        return name, self.house.processes[name]

    def _is_warm(self, lead: str) -> bool:
        others = [at for name, at in self._disturbed_s.items() if name not in (lead, *RELAYS)]
        return time.monotonic() - max(others, default=0.0) > WARM_AFTER_S

    async def _again(self, name: str) -> None:
        """Start it as it was started; a server keeps its files, an aggregator its folder, a relay has nothing."""
        if name.startswith("bus "):
            await asyncio.to_thread(self._server(name).start_again)
        elif name in RELAYS:
            await asyncio.to_thread(self.house.start, "relay", name, *RELAY_WORDS)
        else:
            await asyncio.to_thread(self.house.start, "aggregate", name)

    def _server(self, name: str) -> Server:
        return next(s for s in self.bus.servers if f"bus {s.port}" == name)

    async def _whole(self) -> None:
        """Every role runs, the bus has its replicas, someone leads. What died by itself is named and started again."""
        await asyncio.to_thread(until, self.bus.whole, WHOLE_S, "a bus that is whole again")
        end = time.monotonic() + WHOLE_S
        while await self._died() or not self.house.leads():
            assert time.monotonic() < end, f"a lead: not within {WHOLE_S:g} s"
            await asyncio.sleep(0.05)

    async def _died(self) -> bool:
        """Whether a role had ended by itself; it runs again."""
        ended = [(name, p.returncode) for name, p in self.house.processes.items() if p.poll() is not None]
        for name, code in ended:
            self.outcome.deaths.append(f"{name} ended by itself with {code}")
            await self._again(name)
        return bool(ended)

    async def _cold(self) -> None:
        """Both aggregators are killed; one is started again at once, the other after it leads."""
        lead = self.house.leads()
        moment = self._note("cold", lead, 0.0)
        for name in AGGREGATORS:
            self.house.processes[name].kill()
        for name in AGGREGATORS:
            await asyncio.to_thread(self.house.processes[name].wait, 10)
        await self._again(AGGREGATORS[0])
        await asyncio.sleep(8.0)  # alone: whoever publishes within the limit is this one
        await self._again(AGGREGATORS[1])
        moment.whole_s = time.monotonic() - moment.at_s


def folder_of(root: Path, name: str) -> Path:
    """A folder of its own below ``root``."""
    made = root / name
    made.mkdir(parents=True)
    return made

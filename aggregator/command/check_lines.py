"""The checks of ``ripieno check`` in their order: each asks a shell of ``loadtest.check_*`` and judges by its rules."""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlsplit

from redis.exceptions import RedisError

from aggregator.command import files
from aggregator.command.aggregate import bus_place
from aggregator.command.errors import UserError
from aggregator.command.house import LOOPBACK, Surroundings, open_house, reachable, relay_settings
from aggregator.command.settings import Settings
from aggregator.outputs.osc_sender import OscTargetError, parse_target
from loadtest import (
    check_bus,
    check_certificate,
    check_machine,
    check_network,
    check_packet,
    check_routes,
    check_rules,
    check_tokens,
)
from loadtest.check_line import Line, fails, look, ok
from loadtest.check_routes import OutputFacts
from relay.bus import BusUnavailable
from relay.bus_redis import RedisBus
from relay.seat_card import MAX_SEAT, Keyring, issue
from relay.seat_plan import SeatPlan
from relay.server import Relay

TEST_SEATS = 1000  # test cards take the highest seat numbers, at random: two checks at once do not meet
PHONE_PATH = "/phone"

Check = tuple[str, Callable[[], Awaitable[list[Line]]]]


@dataclass(frozen=True, slots=True)
class Given:
    """What the command line adds to the settings."""

    tokens: Path | None = None
    url: str | None = None
    certificate: Path | None = None


@dataclass
class Round:
    """One run of all checks; later ones use what earlier ones found."""

    settings: Settings
    given: Given
    plan: SeatPlan | None = None
    keyring: Keyring | None = None
    bus: tuple[float, float] | None = None
    outputs: list[OutputFacts] = field(default_factory=list)
    relay_runs: bool = False

    @property
    def seats(self) -> int:
        return self.plan.seats if self.plan else self.settings.evening.seats

    async def ports(self) -> list[Line]:
        """Both ports, and what a running house says of itself."""
        r, m = self.settings.relay, self.settings.monitor
        facts = [
            await check_machine.port(what, host, port, key, tls=tls)
            for what, host, port, key, tls in (
                ("phones", r.listen, r.port, "relay", bool(r.tls_certificate)),
                ("the page", m.listen, m.port, "monitor", False),
            )
        ]  # fmt: skip
        self.relay_runs = facts[0].door is check_rules.Door.OURS
        return [check_rules.ports(facts), *await self._house(facts[1].door is check_rules.Door.OURS)]

    async def _house(self, page_runs: bool) -> list[Line]:
        """A running house's health; no line where none runs."""
        if not (self.relay_runs or page_runs):
            return []
        name, r, m = "house", self.settings.relay, self.settings.monitor
        tls = bool(r.tls_certificate)
        relay = await check_machine.health(reachable(r.listen), r.port, tls=tls) if self.relay_runs else None
        page = await check_machine.health(reachable(m.listen), m.port) if page_runs else None
        bad = []
        if relay is not None and not relay.get("ok"):
            bad.append(fails(name, "the relay runs, but its bus is away", "look at the line of redis, and at its log"))
        if page is not None and not page.get("fresh"):
            bad.append(
                fails(
                    name, "the page runs, but no snapshot came for 2 s",
                    "is an aggregator the lead? Look at its log; start it again (it goes on from its checkpoint)",
                )
            )  # fmt: skip
        if bad or relay is None:
            return bad
        return [ok(name, f"it runs: part {relay.get('part')}, {relay['joined']} phones joined, snapshots are fresh")]

    async def certificate(self) -> list[Line]:
        """The file, the address, or why neither is needed."""
        made = []
        url, own = urlsplit(self.given.url or ""), self.settings.relay.tls_certificate
        file = self.given.certificate or (Path(own) if own else None)
        if file is not None:
            made.append(self._certificate_file(file, url.hostname or ""))
        if url.scheme == "wss":
            made.append(check_certificate.handshake(await check_packet.tls(url.geturl()), time.time()))
        return made or [check_certificate.without(self.settings.relay.listen in LOOPBACK)]

    def _certificate_file(self, path: Path, host: str) -> Line:
        try:
            chain = check_certificate.read_pem(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, check_certificate.CertificateError) as error:
            return fails("certificate", f"{path}: {error}", "name the PEM file with the house's certificate and chain")
        return check_certificate.judge(chain, host, time.time())

    async def redis(self) -> list[Line]:
        """The bus; what it says of its clock is for the next line."""
        bus = self.settings.bus
        if bus.url == "memory":
            return [check_bus.mode(bus.url)]
        facts = await check_bus.ask(bus_place(self.settings))
        self.bus = None if facts.problem else (facts.ahead_s, facts.uncertain_s)
        return check_bus.judge(facts, self.seats, bus.accepted)

    async def clock(self) -> list[Line]:
        """The clock, beside the bus's."""
        return [check_rules.clock(await asyncio.to_thread(check_machine.clock_facts, self.bus))]

    async def disk(self) -> list[Line]:
        """The checkpoint's folder."""
        c = self.settings.checkpoint
        path = Path(c.path) if self.settings.bus.url == "memory" else Path(c.path) / "any"
        facts = await asyncio.to_thread(check_machine.disk, path) if c.path else None
        return [check_rules.disk(facts, self.seats)]

    async def files(self) -> list[Line]:
        """Open files against seats."""
        return [check_rules.file_limit(*check_machine.file_limits(), self.seats, self.settings.relay.workers)]

    async def tokens(self) -> list[Line]:
        """Plan, keyring and tokens."""
        name, made = "seat tokens", []
        for what in ("plan", "keyring"):
            try:
                if what == "plan":
                    self.plan = files.seat_plan(self.settings)
                else:
                    self.keyring = files.keyring(self.settings, make=False)
            except UserError as error:
                made.append(fails(name, str(error), "make or name it, then `ripieno seats` prints tokens that fit it"))
        if made or self.plan is None or self.keyring is None:
            return made
        path = self.given.tokens
        if path is None:
            return [look(name, "no file of tokens was named, so none was checked", "name it with --tokens TOKENS.csv")]
        try:
            cards = check_tokens.read(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, check_tokens.CardsError) as error:
            return [fails(name, f"{path}: {error}", f"`ripieno seats --out {path}` writes one")]
        return [check_tokens.judge(cards, self.plan, self.keyring, self.settings.evening.id, time.time())]

    async def show(self) -> list[Line]:
        """Every output's way."""
        o = self.settings.outputs
        try:
            targets = [parse_target(t, o.interface) for t in o.osc]
        except OscTargetError as error:
            return [fails("outputs", str(error), "put it right in outputs.osc")]
        asked = (check_network.output(t.host, t.port, t.interface) for t in targets)
        self.outputs = list(await asyncio.gather(*asked))
        return check_routes.outputs(self.outputs)

    async def apart(self) -> list[Line]:
        """Seat values and the phones' network."""
        s = self.settings
        return [check_routes.apart(s.relay.listen, check_network.interfaces(), self.outputs, s.monitor.listen)]

    async def packet(self) -> list[Line]:
        """One real packet, through the running relay or one started for it."""
        ring = self.keyring or Keyring.generate()
        if self.given.url or self.relay_runs:
            if self.keyring is None:
                return [fails("one packet", "without the keyring no card can be made", "see the line of seat tokens")]
            url, named = self.given.url or own_url(self.settings), self.given.url is not None
            return [check_packet.judge(await check_packet.send(url, test_card(ring, self.settings), named=named))]
        if self.settings.bus.url != "memory" and self.bus is None:
            return [fails("one packet", "not tried: its bus does not answer", "see the line of redis")]
        async with _own_relay(self.settings, ring) as url:
            return [check_packet.judge(await check_packet.send(url, test_card(ring, self.settings), own=True))]


def checks(settings: Settings, given: Given) -> Sequence[Check]:
    """All checks in the order in which they are said; the bus is asked before the clock, ports before the packet."""
    turn = Round(settings, given)
    return (
        ("ports", turn.ports), ("certificate", turn.certificate), ("seat tokens", turn.tokens), ("redis", turn.redis),
        ("clock", turn.clock), ("disk", turn.disk), ("file limits", turn.files), ("outputs", turn.show),
        ("seat values", turn.apart), ("one packet", turn.packet),
    )  # fmt: skip


def own_url(settings: Settings) -> str:
    """Where the settings' relay is reached from this machine."""
    host = reachable(settings.relay.listen)
    encrypted = "s" if settings.relay.tls_certificate else ""
    return f"ws{encrypted}://{f'[{host}]' if ':' in host else host}:{settings.relay.port}{PHONE_PATH}"


def test_card(keyring: Keyring, settings: Settings) -> str:
    """A token of role test: it joins, is acknowledged, and is never counted."""
    return issue(keyring, settings.evening.id, MAX_SEAT - random.randrange(TEST_SEATS), "test")


@contextlib.asynccontextmanager
async def _own_relay(settings: Settings, ring: Keyring) -> AsyncIterator[str]:
    """A relay on loopback for one packet: with a whole house behind it, or with the settings' Redis."""
    alone = replace(
        settings, evening=replace(settings.evening, opens="", closes=""),
        relay=replace(settings.relay, listen="127.0.0.1", port=0, workers=1, tls_certificate="", tls_key=""),
        monitor=replace(settings.monitor, listen="127.0.0.1", port=0), outputs=replace(settings.outputs, osc=()),
        checkpoint=replace(settings.checkpoint, path=""),
    )  # fmt: skip
    plan = files.seat_plan(settings)
    if settings.bus.url == "memory":
        house = await open_house(alone, Surroundings(plan, ring, ""))
        try:
            yield house.phone_url
        finally:
            await house.close()
        return
    async with _relay_on_redis(alone, plan, ring) as url:
        yield url


@contextlib.asynccontextmanager
async def _relay_on_redis(settings: Settings, plan: SeatPlan, ring: Keyring) -> AsyncIterator[str]:
    """On streams of its own (another evening's name), which are taken away again."""
    apart = f"{settings.evening.id} check"
    bus = RedisBus(bus_place(settings), apart, accepted=settings.bus.accepted)
    relay = Relay()
    try:
        await relay.start(bus, relay_settings(settings, plan, ring))
        try:
            yield f"ws://127.0.0.1:{relay.port}{PHONE_PATH}"
        finally:
            await relay.close()
            for stream in range(bus.shards + 1):
                key = f"ripieno:{{{apart}:{stream}}}:entries".encode()
                with contextlib.suppress(RedisError, OSError, BusUnavailable):  # a bus that went away has lost them
                    await (await bus.servers.of(key)).delete(key)
    finally:
        await bus.close()

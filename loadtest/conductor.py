"""Leads a run: starts or takes in generator processes, hands out phones, gathers what they and the house say. Shell."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import secrets
import sys
import time
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import orjson

from loadtest import schedule
from loadtest.house import Cards, House, machine_cpu_s
from loadtest.measures import Measures
from loadtest.scenario import Scenario
from loadtest.show_engine import ShowEngine

START_IN_S = 1.5  # between the plan and the first join: generators make their banks meanwhile
GRACE_S = 10.0  # at most, after the last packet: a 3 s cut and what it held up must have gone through
JOIN_TIMEOUT_S = 60.0
LINE_BYTES = 64 << 20  # a plan carries the tokens of up to 200,000 phones
ECHOES = 5  # clock questions a generator; the quickest answer counts
SECOND_S = 1.0


@dataclass(slots=True)
class Peer:
    """One generator process, here or elsewhere. ``ahead_s``: its monotonic clock minus ours."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    pid: int = 0
    ahead_s: float = 0.0
    done: bool = False

    async def ask(self, body: dict[str, Any]) -> dict[str, Any]:
        self.say(body)
        return await self.hear()

    def say(self, body: dict[str, Any]) -> None:
        self.writer.write(orjson.dumps(body, option=orjson.OPT_SERIALIZE_NUMPY) + b"\n")

    async def hear(self) -> dict[str, Any]:
        line = await self.reader.readline()
        if not line:
            raise ConnectionError("a generator is gone")
        body: dict[str, Any] = orjson.loads(line)
        return body


@dataclass(slots=True)
class Conductor:
    """One run. ``each_second`` is told the measures for the live display; ``lead`` drives the house's events."""

    scenario: Scenario
    house: House
    cards: Cards
    measures: Measures
    engine: ShowEngine | None
    workers: int = 1
    joiners: int = 0
    listen: str = "127.0.0.1"
    authority: str | None = None
    sources: tuple[str, ...] = ()
    say: Callable[[str], None] = print
    each_second: Callable[[Measures], None] = lambda _m: None
    start_in_s: float = START_IN_S
    grace_s: float = GRACE_S
    start_s: float = 0.0
    cut_short: bool = False
    peers: list[Peer] = field(default_factory=list)
    _processes: list[asyncio.subprocess.Process] = field(default_factory=list)
    _air: asyncio.subprocess.Process | None = None
    _arrived: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self, lead: Callable[[Conductor], Awaitable[None]]) -> None:
        """Everything from the first generator to the last report."""
        key = secrets.token_hex(8)
        server = await asyncio.start_server(lambda r, w: self._welcome(r, w, key), self.listen, 0, limit=LINE_BYTES)
        port = server.sockets[0].getsockname()[1]
        try:
            host, phones_port = await self._open_air()
            await self._gather(port, key)
            if self.engine is not None:
                self.engine.open()
            self.start_s = time.monotonic() + self.start_in_s
            self.measures.begin(self.start_s)
            for number, peer in enumerate(self.peers):
                peer.say({"do": "run", "plan": self._share(number, peer, host, phones_port)})
            await self._conduct(lead)
        finally:
            server.close()
            await self._close()

    def order(self, body: dict[str, Any]) -> None:
        """Tell every generator."""
        for peer in self.peers:
            if not peer.done:
                peer.say(body)

    @property
    def now_s(self) -> float:
        """Time of the run."""
        return time.monotonic() - self.start_s

    async def until(self, at_s: float) -> None:
        """Wait for a time of the run."""
        await asyncio.sleep(max(0.0, at_s - self.now_s))

    # ----------------------------------------------------------------------------------------------------------

    async def _open_air(self) -> tuple[str, int]:
        """Where phones connect: the house's door, or the bad air in front of it."""
        url = urlsplit(self.house.phone_url)
        host, port = str(url.hostname), int(url.port or (443 if url.scheme == "wss" else 80))
        air = self.scenario.air
        if air.clear:
            return host, port
        self._air = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "loadtest.air", host, str(port),
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, cwd=_root(),
            start_new_session=True,
        )  # fmt: skip
        assert self._air.stdin is not None
        assert self._air.stdout is not None
        section = air.swallow_section
        swallowed = [
            token
            for token, index in zip(
                self.cards.tokens, self.cards.section_of, strict=False
            )  # the spare cards have no phone
            if section and self.cards.sections[index] == section
        ]
        settings = {"air": asdict(air), "tokens": swallowed, "seed": self.scenario.seed}
        self._air.stdin.write(orjson.dumps(settings) + b"\n")
        return "127.0.0.1", int(await self._air.stdout.readline())

    async def _gather(self, port: int, key: str) -> None:
        for _ in range(self.workers):
            self._processes.append(
                await asyncio.create_subprocess_exec(
                    sys.executable,
                    "-m",
                    "loadtest.generator",
                    "127.0.0.1",
                    str(port),
                    key,
                    cwd=_root(),
                    start_new_session=True,  # Ctrl-C is the conductor's to handle
                )
            )
        if self.joiners:
            self.say(f"waiting for {self.joiners} more generators: ripieno loadtest --join HOST:{port} --key {key}")
        async with asyncio.timeout(JOIN_TIMEOUT_S if not self.joiners else None):
            while len(self.peers) < self.workers + self.joiners:
                self._arrived.clear()
                await self._arrived.wait()

    async def _welcome(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, key: str) -> None:
        peer = Peer(reader, writer)
        try:
            hello = await peer.hear()
            if not hmac.compare_digest(str(hello.get("key", "")), key):
                writer.close()
                return
            peer.pid = int(hello["pid"])
            best_s = float("inf")
            for _ in range(ECHOES):
                asked_s = time.monotonic()
                theirs_s = float((await peer.ask({"do": "echo"}))["monotonic_s"])
                took_s = time.monotonic() - asked_s
                if took_s < best_s:
                    best_s, peer.ahead_s = took_s, theirs_s - (asked_s + took_s / 2)
        except (ConnectionError, ValueError, KeyError):
            writer.close()
            return
        if len(self.peers) < self.workers + self.joiners:
            self.peers.append(peer)
            self._arrived.set()

    def _share(self, number: int, peer: Peer, host: str, port: int) -> dict[str, Any]:
        """The plan of one generator."""
        count, peers = self.scenario.phones, len(self.peers)
        first, last = number * count // peers, (number + 1) * count // peers
        spare = self.cards.tokens[count:]
        secure = urlsplit(self.house.phone_url).scheme == "wss"
        return {
            "scenario": _table(asdict(self.scenario)),
            "start_s": self.start_s + peer.ahead_s,
            "grace_s": self.grace_s,
            "first": first,
            "tokens": self.cards.tokens[first:last],
            "sections": self.cards.section_of[first:last],
            "vandal_tokens": spare,
            "target": {
                "host": host,
                "port": port,
                "path": urlsplit(self.house.phone_url).path,
                "tls": (self.authority or "system") if secure and self.scenario.air.clear else None,
            },
            "sources": self.sources,
        }

    async def _conduct(self, lead: Callable[[Conductor], Awaitable[None]]) -> None:
        listeners = [asyncio.create_task(self._listen(peer)) for peer in self.peers]
        beside = [asyncio.create_task(self._seconds()), asyncio.create_task(self._lead(lead))]
        try:
            await asyncio.gather(*listeners)
        except asyncio.CancelledError:
            self.cut_short = True
            self.order({"do": "stop"})
            with contextlib.suppress(asyncio.CancelledError, TimeoutError):
                async with asyncio.timeout(5.0):
                    await asyncio.gather(*(asyncio.create_task(self._listen(p)) for p in self.peers if not p.done))
        finally:
            for task in (*beside, *listeners):
                task.cancel()
            await asyncio.gather(*beside, *listeners, return_exceptions=True)
            if self.engine is not None:
                self.engine.settle(time.monotonic() + 60.0)

    async def _lead(self, lead: Callable[[Conductor], Awaitable[None]]) -> None:
        try:
            await lead(self)
        except asyncio.CancelledError:
            raise
        except Exception as error:
            self.measures.problems.append(f"the run's lead failed: {error}")
            self.order({"do": "stop"})

    async def _listen(self, peer: Peer) -> None:
        number = self.peers.index(peer)
        while not peer.done:
            try:
                report = await peer.hear()
            except ConnectionError:
                peer.done = True
                self.measures.problems.append(f"generator {number + 1} ended before the run did")
                return
            self.measures.take(number, report)
            if self.engine is not None:
                for phone, at_s in report["woken"]:
                    self.engine.woken(int(phone), self.start_s + float(at_s))
            peer.done = bool(report["final"])

    async def _seconds(self) -> None:
        """Once a second: the house's own figures, and the live display."""
        while True:
            await asyncio.sleep(SECOND_S - (time.monotonic() % SECOND_S))
            if self.engine is not None:
                self.engine.settle(time.monotonic())
            said = await self.house.metrics()
            self.measures.second(self.now_s, self.house.cpu_s(), said, self.engine, machine_cpu_s())
            self.each_second(self.measures)
            if (why := self.house.ended()) and why not in self.measures.notes:
                self.measures.notes.append(why)
                self.say(why)

    async def _close(self) -> None:
        for peer in self.peers:
            peer.writer.close()
            with contextlib.suppress(ConnectionError):
                await peer.writer.wait_closed()
        if self.engine is not None:
            self.engine.close()
        for process in (*self._processes, *((self._air,) if self._air else ())):
            if process.stdin is not None:
                process.stdin.close()
            try:
                async with asyncio.timeout(5.0):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()


def _table(value: Any) -> Any:
    """A dataclass as a TOML table would have it: no None, lists for tuples."""
    if isinstance(value, dict):
        return {key: _table(item) for key, item in value.items() if item is not None}
    return [_table(item) for item in value] if isinstance(value, (list, tuple)) else value


def _root() -> Path:
    """The folder that holds the package, so that ``-m loadtest.…`` finds it however this process did."""
    return Path(__file__).resolve().parent.parent


def probe_seats(scenario: Scenario, cards: Cards) -> dict[int, int]:
    """Seat number -> phone number of the probes."""
    return {cards.seats[phone]: phone for phone in schedule.probes(scenario).tolist()}

"""The house under test, as seen from outside: a running one by its addresses, or one started for the run. Shell.

Nothing of the house is imported: it is driven through its command, its page's ``/api/part``, its ``/metrics`` and its
outputs, as a stranger would.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import json
import os
import signal
import socket
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import aiohttp

START_TIMEOUT_S = 30.0
STOP_TIMEOUT_S = 10.0
ASK_TIMEOUT_S = 3.0
OPERATOR_TOKEN = "loadtest-operator"  # of a house that lives for one run, on loopback


class HouseError(Exception):
    """The house cannot be used; the sentence says what to do."""


@dataclass(frozen=True, slots=True)
class Cards:
    """Seat cards of the audience: ``seats`` numbers, ``tokens``, ``sections`` names; and each card's section index."""

    seats: tuple[int, ...]
    tokens: tuple[str, ...]
    sections: tuple[str, ...]
    section_of: tuple[int, ...]

    def first(self, count: int) -> Cards:
        """The cards of ``count`` phones, spread evenly over the house, so that every section has its share."""
        if count > len(self.seats):
            raise HouseError(f"found {len(self.seats)} seat cards, needed {count}; choose fewer --phones")
        chosen = [number * len(self.seats) // count for number in range(count)]
        take = [tuple(values[i] for i in chosen) for values in (self.seats, self.tokens, self.section_of)]
        return Cards(take[0], take[1], self.sections, take[2])  # type: ignore[arg-type]


def read_cards(path: Path) -> Cards:
    """The file that ``ripieno seats --out`` wrote. Raises HouseError."""
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = [row for row in csv.DictReader(file) if row.get("role") == "audience"]
        names = tuple(dict.fromkeys(row["section"] for row in rows))
        index = {name: number for number, name in enumerate(names)}
        return Cards(
            tuple(int(row["seat"]) for row in rows),
            tuple(row["token"] for row in rows),
            names,
            tuple(index[row["section"]] for row in rows),
        )
    except OSError as error:
        raise HouseError(f"{path} cannot be read ({error.strerror}); `ripieno seats --out {path}` writes it") from error
    except (KeyError, ValueError) as error:
        raise HouseError(
            f"{path} is no file of seat cards ({error}); `ripieno seats --out {path}` writes one"
        ) from error


@dataclass(slots=True)
class House:
    """Where a house's doors are. ``page_url`` and ``operator_token`` empty: the part of the evening stays as it is."""

    phone_url: str
    cards: Cards
    osc_port: int = 0
    page_url: str = ""
    operator_token: str = ""
    metrics_urls: tuple[str, ...] = ()
    self_contained: bool = False
    processes: dict[str, int] = field(default_factory=dict)

    @property
    def can_move_parts(self) -> bool:
        return bool(self.page_url and self.operator_token)

    async def part(self, name: str) -> bool:
        """Move the evening to a part; False where the page did not take it."""
        if not self.can_move_parts:
            return False
        headers = {"Authorization": f"Bearer {self.operator_token}"}
        try:
            async with (
                aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(ASK_TIMEOUT_S)) as session,
                session.post(self.page_url.rstrip("/") + "/api/part", json={"part": name}, headers=headers) as answer,
            ):
                return answer.status < 300
        except (aiohttp.ClientError, TimeoutError):
            return False

    async def metrics(self) -> dict[str, float]:
        """All plain numbers that the house says of itself; what cannot be asked is left out."""
        made: dict[str, float] = {}
        async with aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(ASK_TIMEOUT_S)) as session:
            for url in self.metrics_urls:
                with contextlib.suppress(aiohttp.ClientError, TimeoutError, UnicodeDecodeError):
                    async with session.get(url) as answer:
                        if answer.status == 200:
                            made |= parse_metrics(await answer.text())
        return made

    def cpu_s(self) -> dict[str, float]:
        """CPU seconds that each of the house's processes on this machine has used."""
        return {name: used for name, pid in self.processes.items() if (used := process_cpu_s(pid)) is not None}

    async def restart(self) -> None:
        """Stop and start the house; only a self-contained one can."""
        raise HouseError("only a self-contained house can be restarted by the load test")

    def ended(self) -> str:
        """Why a self-contained house is no longer there; empty while it is."""
        return ""

    async def close(self) -> None:
        """Nothing to do for a house that was there before."""


def parse_metrics(text: str) -> dict[str, float]:
    """Prometheus text: name with labels -> value."""
    made: dict[str, float] = {}
    for line in text.splitlines():
        name, _, value = line.rpartition(" ")
        if name and not line.startswith("#"):
            with contextlib.suppress(ValueError):
                made[name] = float(value)
    return made


def process_cpu_s(pid: int) -> float | None:
    """User and system time of a process from Linux's /proc; None where there is none."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return None
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def machine_cpu_s() -> float:
    """CPU seconds that all programs of this machine have used since it started; NaN where Linux's /proc is not."""
    try:
        fields = [int(n) for n in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]]
    except (OSError, ValueError):
        return float("nan")
    idle = fields[3] + fields[4]  # idle and waiting for a disk
    return (sum(fields) - idle) / os.sysconf("SC_CLK_TCK")


def free_port(kind: int = socket.SOCK_STREAM) -> int:
    """A port on loopback that was free just now."""
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class OwnHouse(House):
    """A house on loopback, started for one run from the console command ``ripieno`` (argument vector ``command``)."""

    def __init__(self, command: Sequence[str], directory: Path, settings: str, cards: Cards, ports: dict[str, int]):
        super().__init__(
            phone_url=f"ws://127.0.0.1:{ports['phones']}/phone",
            cards=cards,
            osc_port=ports["osc"],
            page_url=f"http://127.0.0.1:{ports['page']}/",
            operator_token=OPERATOR_TOKEN,
            metrics_urls=(f"http://127.0.0.1:{ports['phones']}/metrics", f"http://127.0.0.1:{ports['page']}/metrics"),
            self_contained=True,
        )
        self.command, self.directory, self.settings = tuple(command), directory, settings
        self._process: asyncio.subprocess.Process | None = None

    @classmethod
    async def start(
        cls, command: Sequence[str], directory: Path, *, seats: int, rest_s: float = 20.0, extra: str = ""
    ) -> OwnHouse:
        """Write the evening's settings and cards, start the house, wait until its door opens. Raises HouseError."""
        ports = {"phones": free_port(), "page": free_port(), "osc": free_port(socket.SOCK_DGRAM)}
        (directory / "operator").write_text(OPERATOR_TOKEN + "\n")
        settings = directory / "evening.toml"
        settings.write_text(_settings(directory, seats, ports, rest_s) + extra)
        made = await asyncio.create_subprocess_exec(
            *command, "seats", "--settings", str(settings), "--out", str(directory / "cards.csv"),
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        _, complaint = await made.communicate()
        if made.returncode:
            raise HouseError(f"the house's seat cards could not be made: {complaint.decode(errors='replace').strip()}")
        house = cls(command, directory, str(settings), read_cards(directory / "cards.csv"), ports)
        await house._launch(fresh=True)
        return house

    async def _launch(self, *, fresh: bool) -> None:
        log = (self.directory / "house.log").open("ab")
        how = "--fresh" if fresh else "--resume"
        with log:
            self._process = await asyncio.create_subprocess_exec(
                *self.command,
                "serve",
                "--settings",
                self.settings,
                how,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.processes = {"house": self._process.pid}
        address = urlsplit(self.phone_url)
        try:
            async with asyncio.timeout(START_TIMEOUT_S):
                while not await _answers(str(address.hostname), int(address.port or 0)):
                    if self._process.returncode is not None:
                        raise HouseError(f"the house did not start: {self.last_words()}")
                    await asyncio.sleep(0.05)
        except TimeoutError:
            raise HouseError(f"the house did not open its door in {START_TIMEOUT_S:.0f} s") from None

    def ended(self) -> str:
        process = self._process
        if process is None or process.returncode is None:
            return ""
        return f"the house ended by itself (code {process.returncode}): {self.last_words()}"

    def log_text(self) -> str:
        """All that the house said."""
        return (self.directory / "house.log").read_text(errors="replace")

    def last_words(self) -> str:
        """The last line of the house's log."""
        lines = self.log_text().strip().splitlines()
        return lines[-1] if lines else "it said nothing"

    async def restart(self) -> None:
        """Kill the house as a crash would, and start it again; it goes on from its checkpoint."""
        if self._process is not None and self._process.returncode is None:
            self._process.kill()
            await self._process.wait()
        await self._launch(fresh=False)

    async def close(self) -> None:
        """Stop the house; kill it when it does not stop."""
        process, self._process = self._process, None
        if process is None or process.returncode is not None:
            return
        process.send_signal(signal.SIGTERM)
        try:
            async with asyncio.timeout(STOP_TIMEOUT_S):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()


async def _answers(host: str, port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection(host, port)
    except OSError:
        return False
    writer.close()
    return True


def _settings(directory: Path, seats: int, ports: dict[str, int], rest_s: float) -> str:
    """evening.toml of a house for one run."""
    text = json.dumps  # a TOML basic string is written like a JSON one
    return f"""\
[evening]
id = "loadtest"
seats = {seats}
keyring = {text(str(directory / "keyring.json"))}
[relay]
port = {ports["phones"]}
[monitor]
port = {ports["page"]}
token_file = {text(str(directory / "operator"))}
[engine]
rest_s = {max(10.0, rest_s)}
[outputs]
osc = ["127.0.0.1:{ports["osc"]}"]
[checkpoint]
path = {text(str(directory / "checkpoint"))}
every_s = 2.0
"""

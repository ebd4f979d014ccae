"""A scaled-out house for tests: a bus of its own, aggregators, relays, each a process as a technician starts it."""

from __future__ import annotations

import contextlib
import csv
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import aiohttp

from tests.system.helper_receiver import free_port, log_of, ripieno, until

Process = subprocess.Popen[str]


@dataclass
class ScaledHouse:
    """``start(role, name)`` begins a process; all end with the context."""

    folder: Path
    seats: int
    phone_port: int
    stack: contextlib.ExitStack
    processes: dict[str, Process] = field(default_factory=dict)

    @property
    def phone_url(self) -> str:
        return f"ws://127.0.0.1:{self.phone_port}/phone"

    def start(self, role: str, name: str, *words: str) -> Process:
        """``aggregate`` or ``relay``; waits until it says that it is there."""
        named = ["--name", name] if role == "aggregate" else []
        process = self.stack.enter_context(
            ripieno(role, "--settings", "evening.toml", *named, *words, folder=self.folder)
        )
        self.processes[name] = process
        until(lambda: "bus redis" in log_of(process) or process.poll() is not None, 30, name)
        assert process.poll() is None, log_of(process)
        return process

    def leads(self) -> str:
        """The aggregator that said last that it leads, by its log's time stamps."""
        said = []
        for name, process in self.processes.items():
            if process.poll() is None:
                lines = [x for x in log_of(process).splitlines() if " leads, epoch " in x or " is a spare" in x]
                if lines and " leads, epoch " in lines[-1]:
                    said.append((int(lines[-1].rsplit(" ", 1)[1]), name))
        return max(said)[1] if said else ""

    def tokens(self) -> list[str]:
        words = [sys.executable, "-m", "aggregator", "seats", "--settings", "evening.toml", "--out", "tokens.csv"]
        subprocess.run(words, cwd=self.folder, check=True, capture_output=True)
        with (self.folder / "tokens.csv").open() as file:
            return [row["token"] for row in csv.DictReader(file)]

    async def set_part(self, part: str) -> None:
        """As the page's button does, on any aggregator that lives."""
        for process in self.processes.values():
            token = re.search(r"operator key for the page's buttons: (\S+)", log_of(process))
            page = re.search(r"page (\S+)", log_of(process))
            if process.poll() is None and token and page:
                head = {"Authorization": f"Bearer {token[1]}"}
                async with (
                    aiohttp.ClientSession() as session,
                    session.post(f"{page[1]}api/part", json={"part": part}, headers=head) as answer,
                ):
                    assert answer.status == 200, await answer.text()
                return
        raise AssertionError("no aggregator's page to press a button on")


@contextlib.contextmanager
def scaled_house(
    folder: Path, bus_url: str, osc_port: int, seats: int, *, accepted: str = "process"
) -> Iterator[ScaledHouse]:
    """The settings of an evening on ``bus_url``; nothing is started yet."""
    port = free_port()
    (folder / "evening.toml").write_text(
        f'[evening]\nseats = {seats}\n[bus]\nurl = "{bus_url}"\naccepted = "{accepted}"\n[relay]\nport = {port}\n'
        f'[monitor]\nport = 0\n[outputs]\nosc = ["127.0.0.1:{osc_port}"]\n'
        '[checkpoint]\npath = "checkpoints"\nevery_s = 5.0\n'
    )
    with contextlib.ExitStack() as stack:
        yield ScaledHouse(folder, seats, port, stack)

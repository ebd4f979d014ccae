"""A show engine for tests: a UDP socket whose datagrams python-osc (an independent decoder) takes apart."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pythonosc.osc_bundle import OscBundle


@dataclass
class Received:
    """One message: when it came (steady clock, s), its address, its arguments."""

    at_s: float
    address: str
    arguments: list[Any]


@dataclass
class ShowEngine:
    """Listens on a free loopback port until closed; keeps everything (bounded by the test's length)."""

    link: socket.socket = field(default_factory=lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
    messages: list[Received] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        self.link.bind(("127.0.0.1", 0))
        self.link.settimeout(0.2)
        self.port = int(self.link.getsockname()[1])
        self._closing = False
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while not self._closing:
            with contextlib.suppress(TimeoutError, OSError):
                raw = self.link.recv(65536)
                now = time.monotonic()
                self.messages += [Received(now, m.address, list(m.params)) for m in OscBundle(raw)]

    def of(self, address: str) -> list[Received]:
        """All messages of one address so far, in order of arrival."""
        return [m for m in list(self.messages) if m.address == address]

    def seats(self, address: str, seats: int, *, until_s: float = float("inf")) -> list[Any]:
        """The newest value of each seat from the blocks of one address, by ``until_s`` (None: never came)."""
        made: list[Any] = [None] * seats
        for m in self.of(address):
            if m.at_s > until_s:
                break
            first = m.arguments[0] - 1
            made[first : first + len(m.arguments) - 1] = m.arguments[1:]
        return made

    def close(self) -> None:
        self._closing = True
        self._thread.join(5)
        self.link.close()


@contextlib.contextmanager
def show_engine() -> Iterator[ShowEngine]:
    engine = ShowEngine()
    try:
        yield engine
    finally:
        engine.close()


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def until(ready: Callable[[], bool], limit_s: float, what: str) -> None:
    """Wait for something to become true; AssertionError names what did not come."""
    end = time.monotonic() + limit_s
    while not ready():
        assert time.monotonic() < end, f"{what}: not within {limit_s:g} s"
        time.sleep(0.05)


@contextlib.contextmanager
def ripieno(*arguments: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """The command as a technician starts it; ended by its own process id."""
    log = folder / f"ripieno-{free_port()}.log"
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "aggregator", *arguments], cwd=folder, stdout=subprocess.PIPE, stderr=out, text=True
        )
        process.log = log  # type: ignore[attr-defined]
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()
            process.wait(10)
            if process.stdout is not None:
                process.stdout.close()


def log_of(process: subprocess.Popen[str]) -> str:
    """What the process has said on stderr so far."""
    path: Path = process.log  # type: ignore[attr-defined]
    return path.read_text()

"""Real Redis servers for tests: one alone, a primary with a replica under Sentinel, a Cluster of 3 + 3.

Each listens on 127.0.0.1 with its files in a temporary folder, and is ended by its own process id.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

START_LIMIT_S = 10.0
BESIDE = Path(__file__).resolve().parent.parent / ".container" / "beside_sentinel.sh"
needs_redis = pytest.mark.skipif(not shutil.which("redis-server"), reason="redis-server is not installed")


@dataclass
class Server:
    """One running server process and its port."""

    port: int
    folder: Path
    process: subprocess.Popen[bytes]
    arguments: list[str] = field(default_factory=list)
    settings: dict[str, str] = field(default_factory=dict)

    def cli(self, *words: str) -> str:
        """What redis-cli prints for these words."""
        done = subprocess.run(["redis-cli", "-p", str(self.port), *words], capture_output=True, text=True, timeout=10)
        return done.stdout.strip()

    def kill(self) -> None:
        """End it at once (kill -9)."""
        self.process.kill()
        self.process.wait(10)

    def pause(self) -> None:
        self.process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        self.process.send_signal(signal.SIGCONT)

    def start_again(self) -> None:
        """The same server on the same files, after a kill."""
        self.process = _run(self.arguments, self.settings)
        wait_until(lambda: self.cli("PING") == "PONG", f"redis on {self.port}")

    def end(self) -> None:
        if self.process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.process.pid, signal.SIGCONT)
            self.process.kill()
            self.process.wait(10)


def free_ports(count: int) -> list[int]:
    """Ports that nobody listens on just now (below the range that outgoing connections take, and room for +10000)."""
    sockets, ports = [], []
    for candidate in range(21000 + os.getpid() % 1500, 26000):
        with contextlib.suppress(OSError):
            pair = [socket.socket(), socket.socket()]
            sockets += pair
            pair[0].bind(("127.0.0.1", candidate))
            pair[1].bind(("127.0.0.1", candidate + 10000))
            ports.append(candidate)
        if len(ports) == count:
            break
    for s in sockets:
        s.close()
    return ports


def wait_until(ready: object, what: str, limit_s: float = START_LIMIT_S) -> None:
    """Ask until true; AssertionError names what did not come."""
    assert callable(ready)
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        if ready():
            return
        time.sleep(0.02)
    raise AssertionError(f"{what} did not come within {limit_s:g} s")


def _run(arguments: list[str], settings: dict[str, str]) -> subprocess.Popen[bytes]:
    quiet = subprocess.DEVNULL
    return subprocess.Popen(arguments, stdin=quiet, stdout=quiet, stderr=quiet, env=os.environ | settings)


def start(
    folder: Path,
    port: int,
    *options: str,
    watcher: bool = False,
    by: Sequence[str] = (),
    settings: dict[str, str] | None = None,
) -> Server:
    """One server with an append-only file each second, as compose.yaml runs it (or a sentinel, ``watcher``), started
    ``by`` a script that ends as it."""
    home = folder / str(port)
    home.mkdir(parents=True, exist_ok=True)
    base = ["--port", str(port), "--bind", "127.0.0.1", "--dir", str(home), "--logfile", str(home / "log")]
    if not watcher:
        base += ["--appendonly", "yes", "--appendfsync", "everysec", "--save", "", "--maxmemory-policy", "noeviction"]
    arguments = ["redis-server", *([str(home / "conf"), "--sentinel"] if watcher else []), *base, *options]
    arguments = [*by, *arguments]
    server = Server(port, home, _run(arguments, settings or {}), arguments, settings or {})
    wait_until(lambda: server.cli("PING") == "PONG", f"redis on {port}")
    return server


@contextlib.contextmanager
def single(folder: Path) -> Iterator[Server]:
    """One server."""
    server = start(folder, free_ports(1)[0])
    try:
        yield server
    finally:
        server.end()


@contextlib.contextmanager
def sentinel(
    folder: Path, service: str = "ripieno", replicas: int = 1, *, beside: bool = False
) -> Iterator[tuple[list[Server], Server, list[Server]]]:
    """Three sentinels, a primary and its attached replicas; writes need a replica (contract 7's ``replica``). The
    servers are started by ``.container/beside_sentinel.sh`` where ``beside``, as a deployment should."""
    ports = free_ports(4 + replicas)
    first, watching = ports[0], ports[1 + replicas :]
    strict = ("--min-replicas-to-write", "1", "--min-replicas-max-lag", "10", "--repl-diskless-sync-delay", "0")
    hosts = " ".join(f"127.0.0.1:{port}" for port in watching)

    def server(port: int) -> Server:
        follow = {} if port == first else {"FIRST_PRIMARY": f"127.0.0.1 {first}"}
        if beside:
            by = ("sh", str(BESIDE), service, hosts, "127.0.0.1", str(port))
            return start(folder, port, *strict, by=by, settings=follow)
        return start(folder, port, *strict, *(("--replicaof", "127.0.0.1", str(first)) if follow else ()))

    made: list[Server] = []
    try:
        for port in ports[: 1 + replicas]:
            made.append(server(port))
        primary, *followers = made
        wait_until(lambda: f"connected_slaves:{replicas}" in primary.cli("INFO", "replication"), "the replicas")
        for port in watching:
            made.append(_sentinel(folder, port, service, first))
        watchers = made[1 + replicas :]
        wait_until(
            lambda: f"slaves={replicas},sentinels=3" in watchers[0].cli("INFO", "sentinel"),
            "sentinels that know each other",
            20,
        )
        yield watchers, primary, followers
    finally:
        for one in made:
            one.end()


def _sentinel(folder: Path, port: int, service: str, primary: int) -> Server:
    home = folder / str(port)
    home.mkdir(parents=True, exist_ok=True)
    (home / "conf").write_text(
        f"sentinel monitor {service} 127.0.0.1 {primary} 2\n"
        f"sentinel down-after-milliseconds {service} 1000\nsentinel failover-timeout {service} 3000\n"
    )
    return start(folder, port, watcher=True)


@contextlib.contextmanager
def cluster(folder: Path) -> Iterator[list[Server]]:
    """Three primaries, then their three replicas."""
    ports = free_ports(6)
    options = ("--cluster-enabled", "yes", "--cluster-node-timeout", "1000", "--repl-diskless-sync-delay", "0")
    made: list[Server] = []
    try:
        for port in ports:
            made.append(start(folder, port, *options, "--cluster-config-file", "nodes.conf"))
        hosts = [f"127.0.0.1:{port}" for port in ports]
        words = ["redis-cli", "--cluster", "create", *hosts, "--cluster-replicas", "1", "--cluster-yes"]
        subprocess.run(words, check=True, capture_output=True, timeout=60)
        wait_until(lambda: all("cluster_state:ok" in s.cli("CLUSTER", "INFO") for s in made), "the cluster", 20)
        wait_until(
            lambda: sum("connected_slaves:1" in s.cli("INFO", "replication") for s in made) == 3, "the replicas", 20
        )
        yield sorted(made, key=lambda s: "role:master" not in s.cli("INFO", "replication"))
    finally:
        for server in made:
            server.end()

"""Servers that the benchmarks start beside the relay and end by their process id: Redis, and mosquitto with its one
subscriber. Both are Debian's; ports are free ones of this machine, directories temporary ones.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

START_LIMIT_S = 10.0
MOSQUITTO = "/usr/sbin/mosquitto"  # `apt-get install mosquitto`; its own service need not run


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def cpu_s(pid: int) -> float:
    """Processor seconds of another process, all its threads (clock_getcpuclockid's number, Linux)."""
    return time.clock_gettime((~pid << 3) | 2)


def resident_bytes(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096


def _until_open(port: int, process: subprocess.Popen[bytes]) -> None:
    limit_s = time.monotonic() + START_LIMIT_S
    while time.monotonic() < limit_s and process.poll() is None:
        with socket.socket() as one:
            if one.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise TimeoutError(f"{process.args!r} does not listen on port {port}")


@contextmanager
def _process(words: list[str], port: int, directory: str) -> Iterator[int]:
    process = subprocess.Popen(words, cwd=directory, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _until_open(port, process)
        yield process.pid
    finally:
        process.terminate()
        process.wait(START_LIMIT_S)


@contextmanager
def redis() -> Iterator[tuple[int, str]]:
    """Redis with an append-only file each second, as compose.yaml runs it: its process id and address."""
    port = free_port()
    with tempfile.TemporaryDirectory() as directory:
        words = ["redis-server", "--port", str(port), "--bind", "127.0.0.1", "--dir", directory, "--save", ""]
        words += ["--appendonly", "yes", "--appendfsync", "everysec", "--maxmemory-policy", "noeviction"]
        with _process(words, port, directory) as pid:
            yield pid, f"redis://127.0.0.1:{port}"


class Subscriber:
    """One plain MQTT 3.1.1 subscriber to everything, QoS 0; ``messages`` so far, all of ``size`` bytes."""

    def __init__(self, port: int, size: int) -> None:
        self._size, self._bytes = size, 0
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.sendall(b"\x10\x0e\x00\x04MQTT\x04\x02\x00\x00\x00\x02su")
        assert self._exactly(4) == b"\x20\x02\x00\x00"
        self._socket.sendall(b"\x82\x08\x00\x01\x00\x03p/#\x00")
        assert self._exactly(5)[:1] == b"\x90"
        threading.Thread(target=self._read, daemon=True).start()

    @property
    def messages(self) -> int:
        return self._bytes // self._size

    def _exactly(self, count: int) -> bytes:
        got = b""
        while len(got) < count:
            got += self._socket.recv(count - len(got))
        return got

    def _read(self) -> None:
        while got := self._socket.recv(1 << 20):
            self._bytes += len(got)


@contextmanager
def mosquitto(size: int) -> Iterator[tuple[int, int, Subscriber]]:
    """mosquitto over websockets: process id, port for clients, and the one subscriber. Raises FileNotFoundError."""
    if shutil.which(MOSQUITTO) is None:
        raise FileNotFoundError(MOSQUITTO)
    phones, plain = free_port(), free_port()
    with tempfile.TemporaryDirectory() as directory:
        settings = Path(directory) / "mosquitto.conf"
        settings.write_text(
            f"user root\npersistence false\nlog_dest none\nallow_anonymous true\nmax_queued_messages 0\n"
            f"max_inflight_messages 0\nlistener {phones} 127.0.0.1\nprotocol websockets\nlistener {plain} 127.0.0.1\n"
        )
        with _process([MOSQUITTO, "-c", str(settings)], phones, directory) as pid:
            yield pid, phones, Subscriber(plain, size)

"""Asks the machine for what ``loadtest.check_rules`` judges: ports, clock, disk, file limits. Shell."""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import socket
import tempfile
import time
from pathlib import Path

import aiohttp

from loadtest.check_rules import ClockFacts, DiskFacts, Door, PortFacts

PROBE_BYTES = 1 << 20
TIMEX_BYTES = 512  # struct timex has 208 on 64-bit Linux; modes = 0 only reads
CLOCK_SPAN_S = 0.5
ASK_S = 2.0
HEALTH_KEYS = ({"ok", "bus", "joined"}, {"fresh", "age_s"})  # of the relay's and of the page's /health


def disk(path: Path) -> DiskFacts:
    """Write and sync a megabyte beside the checkpoint ``path``, and take it away again."""
    folder = path.parent if path.parent != Path() else Path(".")
    shown = str(folder.resolve())
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".ripieno-check-") as file:
            begun = time.perf_counter()
            file.write(os.urandom(PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
            took = time.perf_counter() - begun
        return DiskFacts(shown, shutil.disk_usage(folder).free, took)
    except OSError as error:
        return DiskFacts(shown, problem=error.strerror or str(error))


def file_limits() -> tuple[int, int]:
    """(soft, hard) RLIMIT_NOFILE; -1 for none, or where the system has no such limit."""
    try:
        import resource
    except ImportError:  # not on Windows
        return -1, -1
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    return tuple(-1 if v == resource.RLIM_INFINITY else v for v in (soft, hard))  # type: ignore[return-value]


def kernel_time() -> int | None:
    """adjtimex(2)'s answer, read only: 5 means that nothing keeps the clock. None where it cannot be asked."""
    try:
        answer = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except (OSError, AttributeError, TypeError):
        return None
    return answer if isinstance(answer, int) and answer >= 0 else None


def clock_facts(bus: tuple[float, float] | None) -> ClockFacts:
    """The clocks over half a second. ``bus``: (its clock minus ours, half the round trip) in seconds. Blocks."""
    wall, steady = time.time(), time.monotonic()
    time.sleep(CLOCK_SPAN_S)
    unix_s, steady_s = time.time(), time.monotonic() - steady
    ahead, uncertain = bus if bus else (None, 0.0)
    return ClockFacts(unix_s, unix_s - wall, steady_s, ahead, uncertain, kernel_time())


async def port(purpose: str, host: str, number: int, key: str, *, tls: bool = False) -> PortFacts:
    """Who has a port that the house wants."""
    door = _bindable(host, number)
    if door is Door.OTHER and await health(host, number, tls=tls) is not None:
        door = Door.OURS
    return PortFacts(purpose, host, number, key, door)


async def health(host: str, number: int, *, tls: bool = False) -> dict[str, object] | None:
    """What ``/health`` of one of our own ports says; None where nothing, or something else, answers. ``tls``: the port
    shows a certificate, which is not checked here: it names the house, not this machine."""
    name = f"[{host}]" if ":" in host else host
    try:
        async with (
            aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(ASK_S)) as session,
            session.get(f"http{'s' if tls else ''}://{name}:{number}/health", ssl=not tls) as answer,
        ):
            body = await answer.json(content_type=None)
    except (aiohttp.ClientError, TimeoutError, OSError, ValueError):
        return None
    return body if isinstance(body, dict) and any(keys <= set(body) for keys in HEALTH_KEYS) else None


def _bindable(host: str, number: int) -> Door:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, number, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        with socket.socket(family, kind, protocol) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # as the house does
            probe.bind(address)
            probe.listen(1)
    except OSError as error:
        return {errno.EADDRINUSE: Door.OTHER, errno.EACCES: Door.FORBIDDEN}.get(error.errno or 0, Door.NOT_HERE)
    return Door.FREE

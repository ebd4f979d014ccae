"""Sends the show engine's datagrams over UDP. Shell.

Sockets never block: a frozen, full or unreachable receiver costs a counter and nothing else. Neither does a name that
nobody answers for (a name server or a switch that is down): it is looked up beside the loop, again and again.
"""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import logging
import re
import socket
import struct
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from aggregator.outputs.osc import OscLayout, OscSettings, ServiceState, is_open
from aggregator.snapshot import Snapshot
from relay.seat_plan import SeatPlan

log = logging.getLogger(__name__)

HEARTBEAT_S = 1.0
HOLD_AFTER_S = 1.0  # no snapshot for this long: the heartbeat says holding
DUE_S = HEARTBEAT_S - 0.01  # a timer of 1 s that wakes a moment early still beats
UDP_SEGMENT = 103  # Linux uapi udp.h: the kernel cuts one buffer into datagrams of this size
SEGMENTS_A_CALL = 44  # the kernel allows 64; 44 of 1,472 bytes stay below the 65,507 bytes of one call
CALL_BYTES = 65_507
ERROR_SHOWN_S = 3.0  # a target that had no failure for this long has recovered
MULTICAST_HOPS = 1  # stays in the hall's own network
ASK_AGAIN_S = 3.0  # pause after a failed look-up, which itself takes up to half a minute where no server answers
HOST = re.compile(r"[\w.-]{1,253}", re.ASCII)  # RFC 1123 names, and underscores, which many networks have

Address = tuple[socket.AddressFamily, socket.SocketKind, int, str, tuple[Any, ...]]


class OscTargetError(ValueError):
    """A target that cannot be used: one sentence that says what was found and what to do."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where datagrams go: ``host`` and ``port``; ``interface``: leave only by this one, as its address or its name."""

    host: str
    port: int
    interface: str = ""

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


@dataclass(slots=True)
class TargetStatistics:
    """One target's counters. ``sent``: handed to the system. ``refused``: answers that nobody listens there.
    ``dropped``: the socket was full. ``unreachable``: no way there. ``skipped``: not tried after a failure in the same
    tick. ``age_s``: since a tick left without a failure, None before the first. ``last_error``: of the last seconds."""

    target: str
    sent: int = 0
    sent_bytes: int = 0
    refused: int = 0
    dropped: int = 0
    unreachable: int = 0
    skipped: int = 0
    segmented: bool = False
    age_s: float | None = None
    last_error: str = ""


def parse_target(text: str, interface: str = "") -> Target:
    """``HOST:PORT`` or ``[IPV6]:PORT``.

    Raises:
        OscTargetError: no port, or one outside 1..65535; a host that is neither an address nor can be a name.
    """
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65_536:
        raise OscTargetError(f"{text!r} is no target for Open Sound Control: write HOST:PORT, port 1..65535")
    _check_host(host)
    return Target(host, int(port), interface)


class OscSender:
    """One seat plan's datagrams to every target.

    ``now_s`` is a steady clock in seconds, the same for all calls. ``send`` hands out one snapshot (and the heartbeat
    when due); ``heartbeat`` belongs on the service's own timer, so that it goes on when snapshots stop.

    A target whose host is not known or not to be reached now is not an error: it is noted, and tried again.

    Raises:
        OscTargetError: a target whose host is neither an address nor can be a name.
    """

    def __init__(
        self,
        plan: SeatPlan,
        settings: OscSettings | None = None,
        targets: Sequence[Target] = (),
    ) -> None:
        self.layout = OscLayout(plan, settings)
        self.role = "lead"
        self.state = ServiceState.STARTING
        self._last: Snapshot | None = None
        self._last_s = 0.0
        self._beat_s: float | None = None
        for target in targets:
            _check_host(target.host)
        self._links = [_Link(target) for target in targets]

    def send(self, snapshot: Snapshot, now_s: float) -> int:
        """Hand one snapshot's datagrams to every target; returns how many left. Never blocks, never raises OSError."""
        self._last = snapshot
        self._last_s = now_s
        datagrams = self.layout.encode(snapshot, now_s=now_s)
        return sum(link.send(datagrams, now_s) for link in self._links)

    def heartbeat(self, now_s: float, *, role: str = "lead", state: ServiceState = ServiceState.RUNNING) -> bool:
        """Send ``/service/status`` if a second passed or the state changed; returns whether it left.

        ``state`` is what the service says of itself; while it says running, the heartbeat tells starting (no snapshot
        yet), holding (none for more than a second), closed (the part's outputs) and partial (shards missing) itself.
        """
        state = self.state_at(now_s, state)
        changed = state != self.state or role != self.role
        if self._beat_s is not None and now_s - self._beat_s < DUE_S and not changed:
            return False
        self.role, self.state, self._beat_s = role, state, now_s
        last = self._last
        datagram = self.layout.heartbeat(
            epoch=last.epoch if last else 0,
            sequence=last.sequence if last else 0,
            time_ms=last.cut_ms if last else 0,
            role=role,
            state=state,
            part=last.part if last else "",
        )
        for link in self._links:
            link.send([memoryview(datagram)], now_s)
        return True

    def state_at(self, now_s: float, said: ServiceState = ServiceState.RUNNING) -> ServiceState:
        """The state to publish now, given what the service says of itself."""
        if said is not ServiceState.RUNNING:
            return said
        if self._last is None:
            return ServiceState.STARTING
        if now_s - self._last_s > HOLD_AFTER_S:
            return ServiceState.HOLDING
        if not is_open(self._last.part):
            return ServiceState.CLOSED
        return ServiceState.PARTIAL if self._last.missing else ServiceState.RUNNING

    def resend(self) -> None:
        """Send every seat value again from the next snapshot on."""
        self.layout.resend()

    def statistics(self, now_s: float) -> tuple[TargetStatistics, ...]:
        """Each target's counters, without waiting."""
        return tuple(link.statistics(now_s) for link in self._links)

    def close(self) -> None:
        """Close the sockets; idempotent."""
        for link in self._links:
            link.close()


class _Link:
    """One target's connected, non-blocking socket. Connected, so that a refusal comes back to be counted.

    Without a socket until its address is found. An address is tried at once, a name in a thread of its own: at most one
    a target, which ends with its look-up and holds nothing up.
    """

    def __init__(self, target: Target) -> None:
        self.target = target
        self._counts = TargetStatistics(str(target), segmented=hasattr(socket.socket, "sendmsg"))
        self._last_s: float | None = None
        self._error_s = 0.0
        self._failed_now = False
        self._socket: socket.socket | None = None
        self._found: list[Address] | OSError = []
        self._asking: threading.Thread | None = None
        self._ask_at_s = float("-inf")
        if _is_address(target.host):
            self._ask()
            self._connect(self._ask_at_s)
        else:
            self._ask_beside()

    def send(self, datagrams: Sequence[memoryview], now_s: float) -> int:
        """Send in order; after a failure that lasts, leave out the rest of this tick. Returns how many left."""
        left = 0
        self._failed_now = False
        if self._socket is None and not self._find(now_s):
            self._counts.unreachable += len(datagrams)
            self._error_s = now_s
            return 0
        while left < len(datagrams):
            run = self._run(datagrams[left:]) if self._counts.segmented else 1
            if not self._hand_over(datagrams[left : left + run]):
                if run > 1 and not self._counts.segmented:
                    continue  # this kernel or interface does not cut: the same again, one by one
                self._counts.skipped += len(datagrams) - left - run
                break
            left += run
        self._counts.sent += left
        self._counts.sent_bytes += sum(len(d) for d in datagrams[:left])
        if self._failed_now:
            self._error_s = now_s
        elif left:
            self._last_s = now_s
            if self._counts.last_error and now_s - self._error_s > ERROR_SHOWN_S:
                log.warning("Open Sound Control to %s: works again", self.target)
                self._counts.last_error = ""
        return left

    def _find(self, now_s: float) -> bool:
        """Whether there is a socket now. Takes what a look-up has found, or begins the next one."""
        if self._asking is not None and self._asking.is_alive():
            return False
        if self._asking is not None:
            return self._connect(now_s)
        if now_s >= self._ask_at_s:
            self._ask_beside()
        return False

    def _ask_beside(self) -> None:
        self._asking = threading.Thread(target=self._ask, name=f"looks up {self.target}", daemon=True)
        self._asking.start()

    def _ask(self) -> None:
        try:
            self._found = _look_up(self.target)
        except OSError as error:
            self._found = error

    def _connect(self, now_s: float) -> bool:
        """Make the socket of what was found; note why there is none, and when to ask again."""
        self._asking = None
        try:
            if isinstance(self._found, OSError):
                raise self._found
            self._socket = _open(self.target, self._found)
        except OSError as error:
            what = f"host {self.target.host!r} is not known" if isinstance(error, socket.gaierror) else "no way there"
            self._note(f"{what} now ({error.strerror or error}); tried again every few seconds")
            self._ask_at_s = now_s + ASK_AGAIN_S
        return self._socket is not None

    def _run(self, datagrams: Sequence[memoryview]) -> int:
        """How many datagrams one call carries: equal in size, the last may be shorter."""
        size, total = len(datagrams[0]), 0
        for n, datagram in enumerate(datagrams[:SEGMENTS_A_CALL]):
            total += len(datagram)
            if len(datagram) > size or total > CALL_BYTES:
                return n
            if len(datagram) < size:
                return n + 1
        return min(len(datagrams), SEGMENTS_A_CALL)

    def _hand_over(self, run: Sequence[memoryview]) -> bool:
        """One call, and once again if it only brought the news of an earlier refusal."""
        assert self._socket is not None  # send has looked
        for attempt in (1, 2):
            try:
                if len(run) == 1:
                    self._socket.send(run[0])
                else:
                    size = struct.pack("=H", len(run[0]))
                    self._socket.sendmsg(run, [(socket.IPPROTO_UDP, UDP_SEGMENT, size)])
                return True
            except ConnectionRefusedError:
                self._counts.refused += 1
                self._note("nobody listens on this port")
                if attempt == 2:
                    return False
            except OSError as error:
                self._failed(error, len(run))
                return False
        return False

    def _failed(self, error: OSError, count: int) -> None:
        if error.errno in (errno.EAGAIN, errno.ENOBUFS):
            self._counts.dropped += count
            self._note("the way there is full")
        elif count > 1 and error.errno in (
            errno.EIO,
            errno.EINVAL,
            errno.EOPNOTSUPP,
            errno.ENOPROTOOPT,
            errno.EMSGSIZE,
        ):
            self._counts.segmented = False
            log.info("%s: sending datagram by datagram (%s)", self.target, error.strerror)
        else:
            self._counts.unreachable += count
            self._note(error.strerror or str(error))

    def _note(self, text: str) -> None:
        """Keep what failed; log a change of state once, not each event."""
        self._failed_now = True
        if text != self._counts.last_error:
            log.warning("Open Sound Control to %s: %s", self.target, text)
            self._counts.last_error = text

    def statistics(self, now_s: float) -> TargetStatistics:
        age_s = None if self._last_s is None else now_s - self._last_s
        recovered = self._socket is not None and now_s - self._error_s > ERROR_SHOWN_S
        return replace(self._counts, age_s=age_s, last_error="" if recovered else self._counts.last_error)

    def close(self) -> None:
        """A look-up under way ends by itself; it holds no socket."""
        if self._socket is not None:
            self._socket.close()


def _check_host(host: str) -> None:
    """Raises OscTargetError for what can never be reached, however long one waits."""
    try:
        good = _is_address(host) or HOST.fullmatch(host.encode("idna").decode()) is not None
    except UnicodeError:
        good = False
    if not good or (host.rpartition(".")[2].isdigit() and not _is_address(host)):  # 10.0.0.300 is no name either
        raise OscTargetError(
            f"{host[:80]!r} cannot be the host of an Open Sound Control target: check its spelling, or give its address"
        )


def _is_address(host: str) -> bool:
    """Whether no name server is needed."""
    try:
        ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    return True


def _look_up(target: Target) -> list[Address]:
    """May take half a minute where a name server does not answer. Raises OSError."""
    return list(socket.getaddrinfo(target.host, target.port, type=socket.SOCK_DGRAM))


def _open(target: Target, found: Sequence[Address]) -> socket.socket:
    """A socket to the first address that there is a way to. Raises OSError where there is none, or none yet (a cable,
    an interface that comes up later)."""
    for address in found[:-1]:
        with contextlib.suppress(OSError):
            return _open_one(target, address)
    return _open_one(target, found[-1])


def _open_one(target: Target, found: Address) -> socket.socket:
    family, kind, protocol, _, address = found
    link = socket.socket(family, kind, protocol)
    try:
        link.setblocking(False)
        if target.interface:
            _bind(link, family, target)
        if ipaddress.ip_address(str(address[0]).partition("%")[0]).is_multicast and family == socket.AF_INET:
            link.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, MULTICAST_HOPS)
        link.connect(address)
    except OSError:
        link.close()
        raise
    return link


def _bind(link: socket.socket, family: int, target: Target) -> None:
    """Bind to the interface's address, or by its name where the system can."""
    try:
        ipaddress.ip_address(target.interface)
    except ValueError:
        option = getattr(socket, "SO_BINDTODEVICE", 25)  # Linux asm-generic/socket.h
        link.setsockopt(socket.SOL_SOCKET, option, target.interface.encode() + b"\0")
        return
    link.bind((target.interface, 0) if family == socket.AF_INET else (target.interface, 0, 0, 0))

"""Sends the show engine's datagrams over UDP. Shell.

Sockets never block: a frozen, full or unreachable receiver costs a counter and nothing else.
"""

from __future__ import annotations

import errno
import ipaddress
import logging
import socket
import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace

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
        OscTargetError: no port, or one outside 1..65535.
    """
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65_536:
        raise OscTargetError(f"{text!r} is no target for Open Sound Control: write HOST:PORT, port 1..65535")
    return Target(host, int(port), interface)


class OscSender:
    """One seat plan's datagrams to every target.

    ``now_s`` is a steady clock in seconds, the same for all calls. ``send`` hands out one snapshot (and the heartbeat
    when due); ``heartbeat`` belongs on the service's own timer, so that it goes on when snapshots stop.

    Raises:
        OscTargetError: a target whose host or interface is not known here.
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
        self._links: list[_Link] = []
        try:
            for target in targets:
                self._links.append(_Link(target))
        except OscTargetError:
            self.close()
            raise

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
    """One target's connected, non-blocking socket. Connected, so that a refusal comes back to be counted."""

    def __init__(self, target: Target) -> None:
        self.target = target
        self._counts = TargetStatistics(str(target), segmented=hasattr(socket.socket, "sendmsg"))
        self._last_s: float | None = None
        self._error_s = 0.0
        self._failed_now = False
        self._socket = _open(target)

    def send(self, datagrams: Sequence[memoryview], now_s: float) -> int:
        """Send in order; after a failure that lasts, leave out the rest of this tick. Returns how many left."""
        left = 0
        self._failed_now = False
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
        recovered = now_s - self._error_s > ERROR_SHOWN_S
        return replace(self._counts, age_s=age_s, last_error="" if recovered else self._counts.last_error)

    def close(self) -> None:
        self._socket.close()


def _open(target: Target) -> socket.socket:
    try:
        found = socket.getaddrinfo(target.host, target.port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError):
        raise OscTargetError(
            f"the host {target.host!r} of the Open Sound Control target {target} is not known: check its spelling, or "
            "give its address"
        ) from None
    family, kind, protocol, _, address = found[0]
    link = socket.socket(family, kind, protocol)
    try:
        link.setblocking(False)
        if target.interface:
            _bind(link, family, target)
        if ipaddress.ip_address(str(address[0]).partition("%")[0]).is_multicast and family == socket.AF_INET:
            link.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, MULTICAST_HOPS)
        link.connect(address)
    except OSError as error:
        link.close()
        raise OscTargetError(
            f"no way from here to the Open Sound Control target {target} ({error.strerror}): check the network cable "
            "and the interface"
        ) from None
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

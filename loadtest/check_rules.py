"""What the check before doors makes of the machine: clock, disk, file limits, ports. Pure: facts in, lines out."""

from __future__ import annotations

import datetime
import enum
from dataclasses import dataclass

from loadtest.check_line import Line, fails, look, ok

CLOCK_SET_S = 1_700_000_000  # before this (November 2023) a clock was never set; epochs count from there
CLOCK_LOOK_S = 0.5  # house time is the bus's clock; a second away, times in logs and recordings mislead
CLOCK_FAILS_S = 5.0  # more than the service waits for a clock that went backwards
STEP_LOOK_S = 0.05  # wall against steady clock over a second: a disciplined clock slews by 0.5 ms a second at most
TIME_UNSYNCHRONISED = 5  # adjtimex(2): TIME_ERROR
CHECKPOINT_BYTES = 16_384  # a listener's share of a checkpoint
SPARE_BYTES = 64 << 20  # for logs, and what else the evening writes there
SYNC_LOOK_S = 0.25  # a checkpoint every 10 s must not take a noticeable part of them
SYNC_FAILS_S = 3.0  # measured for 1 MiB; a house's checkpoint has tens
FILES_BESIDE = 256  # sockets and files of outputs, pages, bus and the system's own (common practice)
RETURNING_SHARE = 1.2  # old connections linger while phones that were cut come back: one in five, at an access point


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """``unix_s`` this machine's clock; ``bus_ahead_s`` the bus's minus ours (None: in one process);
    ``bus_uncertain_s`` half the round trip; ``wall_s``, ``steady_s`` lengths of one span by both clocks;
    ``kernel`` adjtimex's answer (None: unknown)."""

    unix_s: float
    wall_s: float
    steady_s: float
    bus_ahead_s: float | None = None
    bus_uncertain_s: float = 0.0
    kernel: int | None = None


def clock(facts: ClockFacts) -> Line:
    """The system's clock: set, steady, kept by a time service, and near the bus's."""
    name = "clock"
    now = datetime.datetime.fromtimestamp(facts.unix_s, datetime.UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    if facts.unix_s < CLOCK_SET_S:
        return fails(name, f"the clock says {now}: it was never set", "set the clock, or switch its time service on")
    if facts.steady_s <= 0.0:
        return fails(
            name, f"the steady clock moved by {facts.steady_s:.3f} s in one measured span",
            "this machine cannot keep ticks: restart it, and use another if that does not help",
        )  # fmt: skip
    ahead = 0.0 if facts.bus_ahead_s is None else facts.bus_ahead_s
    beyond = abs(ahead) - facts.bus_uncertain_s
    if beyond > CLOCK_LOOK_S:
        word = fails if beyond > CLOCK_FAILS_S else look
        direction = "ahead of" if ahead > 0 else "behind"
        return word(
            name, f"the bus's clock is {abs(ahead):.2f} s {direction} this machine's ({now})",
            "give both machines the same time service and wait until they agree",
        )  # fmt: skip
    if abs(facts.wall_s - facts.steady_s) > STEP_LOOK_S:
        return look(
            name, f"the clock stepped by {facts.wall_s - facts.steady_s:+.3f} s within {facts.steady_s:.1f} s",
            "something sets the clock in jumps: let one time service slew it",
        )  # fmt: skip
    beside = "" if facts.bus_ahead_s is None else f", {1000 * ahead:+.0f} ms to the bus's"
    if facts.kernel == TIME_UNSYNCHRONISED:
        return look(
            name, f"{now}{beside}; the kernel says that no time service keeps it",
            "switch a time service on (timedatectl set-ntp true), or compare the clock by hand",
        )  # fmt: skip
    kept = ", kept by a time service" if facts.kernel is not None else "; whether a time service keeps it is not known"
    return ok(name, f"{now}{beside}{kept}")


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """The checkpoint's folder. ``problem``: why nothing can be written there; ``sync_s``: 1 MiB written and synced."""

    folder: str
    free_bytes: int = 0
    sync_s: float = 0.0
    problem: str = ""


def disk(facts: DiskFacts | None, seats: int) -> Line:
    """Whether checkpoints will be written, and fast enough; None: the settings ask for none."""
    name = "disk"
    if facts is None:
        return look(
            name,
            "no checkpoint is written: after a crash every listener rests anew",
            "set checkpoint.path, or accept it",
        )
    if facts.problem:
        return fails(
            name, f"checkpoints cannot be written to {facts.folder}: {facts.problem}",
            "make the folder, give this user the right to write there, or change checkpoint.path",
        )  # fmt: skip
    need = 2 * CHECKPOINT_BYTES * seats + SPARE_BYTES  # the new one is written beside the old
    found = f"{_size(facts.free_bytes)} free in {facts.folder}, 1 MiB is on the disk in {1000 * facts.sync_s:.0f} ms"
    if facts.free_bytes < need:
        return fails(
            name, f"{found}; {seats} seats need {_size(need)}", "make room, or set checkpoint.path to another disk"
        )
    if facts.sync_s > SYNC_LOOK_S:
        word = fails if facts.sync_s > SYNC_FAILS_S else look
        return word(name, f"{found}: slow", "end what writes to this disk, or set checkpoint.path to another one")
    return ok(name, found)


def file_limit(soft: int, hard: int, seats: int, workers: int = 1) -> Line:
    """RLIMIT_NOFILE against seats: every phone is an open file of the relay. ``soft``, ``hard`` < 0: no limit."""
    name = "file limits"
    need = int(seats * RETURNING_SHARE / workers) + FILES_BESIDE
    each = "a process" if workers > 1 else "this user's processes"
    if soft < 0 or soft >= need:
        return ok(name, f"{'no limit' if soft < 0 else soft} open files for {each}, {need} needed for {seats} seats")
    raised = f"ulimit -n {need} in the shell that starts the house (LimitNOFILE={need} for a systemd service)"
    if 0 <= hard < need:
        raised = f"as root, raise the hard limit (now {hard}), then: {raised}"
    return fails(name, f"{soft} open files for {each}, {need} needed for {seats} seats", raised)


class Door(enum.Enum):
    """What a port answers."""

    FREE = "free"
    OURS = "ours"
    OTHER = "taken by something else"
    NOT_HERE = "no address of this machine"
    FORBIDDEN = "not for this user"


@dataclass(frozen=True, slots=True)
class PortFacts:
    """One port that the house wants: ``purpose`` in words, ``key`` the setting that names it."""

    purpose: str
    host: str
    port: int
    key: str
    door: Door


def ports(facts: list[PortFacts]) -> Line:
    """Free, or already ours."""
    name = "ports"
    doings = {
        Door.OTHER: "end what listens there, or set {key}.port to another",
        Door.NOT_HERE: "set {key}.listen to an address of this machine (0.0.0.0 is all)",
        Door.FORBIDDEN: "set {key}.port to one above 1023",
    }
    bad = [f for f in facts if f.door in doings]
    found = "; ".join(f"{f.host}:{f.port} for {f.purpose} is {f.door.value}" for f in bad or facts)
    if bad:
        return fails(name, found, "; ".join(dict.fromkeys(doings[f.door].format(key=f.key) for f in bad)))
    if len({f.door for f in facts}) > 1:
        return look(
            name, f"half a house: {found}", "start the missing role, or stop the house and start it again as a whole"
        )
    return ok(name, found)


def _size(count: float) -> str:
    for unit in ("bytes", "KiB", "MiB", "GiB"):
        if count < 1024 or unit == "GiB":
            return f"{count:.0f} {unit}" if unit != "GiB" else f"{count:.1f} {unit}"
        count /= 1024
    raise AssertionError

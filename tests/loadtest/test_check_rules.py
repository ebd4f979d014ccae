"""The check before doors: each rule fails for the reason planted, and is content with a healthy machine."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loadtest.check_bus import BusFacts
from loadtest.check_bus import judge as judge_bus
from loadtest.check_line import Line, State, as_json, exit_code, fails, look, ok, summary, text
from loadtest.check_packet import PacketFacts
from loadtest.check_packet import judge as judge_packet
from loadtest.check_routes import Interface, OutputFacts, apart, outputs
from loadtest.check_rules import (
    ClockFacts,
    DiskFacts,
    Door,
    PortFacts,
    clock,
    disk,
    file_limit,
    ports,
)  # fmt: skip

GOOD_CLOCK = ClockFacts(unix_s=1_800_000_000, wall_s=0.5, steady_s=0.5, bus_ahead_s=0.01, kernel=0)
GOOD_DISK = DiskFacts("/srv/evening", free_bytes=10 << 30, sync_s=0.01)
GOOD_REDIS = {
    "aof_enabled": 1, "aof_last_write_status": "ok", "maxmemory_policy": "noeviction", "used_memory": 5 << 20,
    "maxmemory": 8 << 30, "connected_slaves": 1, "min_slaves_good_slaves": 1,
}  # fmt: skip
LAN = [Interface("lo", "127.0.0.1", 8), Interface("wlan0", "10.1.0.5", 16), Interface("eth0", "192.168.7.2", 24)]
OVER_CABLE = OutputFacts("192.168.7.9:9000", "192.168.7.9", "192.168.7.2")
OVER_AIR = OutputFacts("10.1.0.9:9000", "10.1.0.9", "10.1.0.5")


def is_line(line: Line, state: State, *words: str) -> None:
    assert line.state is state, text(line)
    for word in words:
        assert word in line.found + " " + line.do, text(line)


@pytest.mark.parametrize(
    ("planted", "state", "word"),
    [
        ({}, State.OK, "kept by a time service"),
        ({"unix_s": 1000.0}, State.FAILS, "never set"),
        ({"steady_s": 0.0}, State.FAILS, "steady clock"),
        ({"bus_ahead_s": 9.0}, State.FAILS, "9.00 s ahead of"),
        ({"bus_ahead_s": -2.0}, State.LOOK, "2.00 s behind"),
        ({"bus_ahead_s": -2.0, "bus_uncertain_s": 1.9}, State.OK, ""),
        ({"wall_s": 0.8}, State.LOOK, "stepped by +0.300 s"),
        ({"kernel": 5}, State.LOOK, "no time service"),
        ({"kernel": None, "bus_ahead_s": None}, State.OK, "not known"),
    ],
)
def test_clock(planted: dict[str, float], state: State, word: str) -> None:
    is_line(clock(replace(GOOD_CLOCK, **planted)), state, word)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("facts", "state", "word"),
    [
        (GOOD_DISK, State.OK, "10.0 GiB free"),
        (None, State.LOOK, "rests anew"),
        (replace(GOOD_DISK, problem="Read-only file system"), State.FAILS, "Read-only"),
        (replace(GOOD_DISK, free_bytes=100 << 20), State.FAILS, "make room"),
        (replace(GOOD_DISK, sync_s=0.5), State.LOOK, "slow"),
        (replace(GOOD_DISK, sync_s=4.0), State.FAILS, "slow"),
    ],
)
def test_disk(facts: DiskFacts | None, state: State, word: str) -> None:
    is_line(disk(facts, 5000), state, word)


@pytest.mark.parametrize(
    ("soft", "hard", "workers", "state", "word"),
    [
        (-1, -1, 1, State.OK, "no limit"),
        (6256, 6256, 1, State.OK, "6256 needed"),
        (6255, 20000, 1, State.FAILS, "ulimit -n 6256"),
        (1024, 4096, 1, State.FAILS, "as root"),
        (1756, 1756, 4, State.OK, "a process"),
    ],
)
def test_file_limit(soft: int, hard: int, workers: int, state: State, word: str) -> None:
    is_line(file_limit(soft, hard, 5000, workers), state, word)


def door(what: Door, key: str = "relay") -> PortFacts:
    return PortFacts("phones", "10.1.0.5", 9401, key, what)


@pytest.mark.parametrize(
    ("doors", "state", "word"),
    [
        ((Door.FREE, Door.FREE), State.OK, "free"),
        ((Door.OURS, Door.OURS), State.OK, "ours"),
        ((Door.FREE, Door.OURS), State.LOOK, "half a house"),
        ((Door.OTHER, Door.FREE), State.FAILS, "end what listens there, or set relay.port"),
        ((Door.NOT_HERE, Door.FREE), State.FAILS, "relay.listen"),
        ((Door.FORBIDDEN, Door.FREE), State.FAILS, "above 1023"),
    ],
)
def test_ports(doors: tuple[Door, Door], state: State, word: str) -> None:
    is_line(ports([door(doors[0]), door(doors[1], "monitor")]), state, word)


@pytest.mark.parametrize(
    ("planted", "accepted", "state", "word"),
    [
        ({}, "replica", State.OK, "1 replicas"),
        ({"aof_enabled": 0}, "process", State.FAILS, "appendonly yes"),
        ({"aof_last_write_status": "err"}, "process", State.FAILS, "could not be written"),
        ({"maxmemory_policy": "allkeys-lru"}, "process", State.FAILS, "allkeys-lru"),
        ({"maxmemory": 6 << 20}, "process", State.FAILS, "1 MiB of memory left"),
        ({"maxmemory": 400 << 20}, "process", State.LOOK, "maxmemory"),
        ({"maxmemory": 0, "total_system_memory": 16 << 30}, "process", State.OK, ""),
        ({"connected_slaves": 0}, "replica", State.FAILS, "no replica"),
        ({"connected_slaves": 0}, "process", State.OK, "0 replicas"),
    ],
)
def test_redis(planted: dict[str, object], accepted: str, state: State, word: str) -> None:
    lines = judge_bus(BusFacts("10.1.0.7:6379", ({**GOOD_REDIS, **planted},), latency_s=0.001), 5000, accepted)
    assert len(lines) == 2
    is_line(lines[0], State.OK, "1.0 ms")
    is_line(lines[1], state, word)


def test_redis_without_a_guard_against_a_cut_off_primary() -> None:
    info = {k: v for k, v in GOOD_REDIS.items() if k != "min_slaves_good_slaves"}
    is_line(judge_bus(BusFacts("x:1", (info,)), 50, "replica")[1], State.LOOK, "min-replicas-to-write")


@pytest.mark.parametrize(("latency_s", "state"), [(0.03, State.LOOK), (0.3, State.FAILS)])
def test_slow_redis(latency_s: float, state: State) -> None:
    is_line(judge_bus(BusFacts("x:1", (GOOD_REDIS,), latency_s=latency_s), 50, "process")[0], state, "slow")


def test_redis_away() -> None:
    (line,) = judge_bus(BusFacts("x:1", problem="Connection refused"), 50, "process")
    is_line(line, State.FAILS, "Connection refused", "bus.url")


@pytest.mark.parametrize(
    ("facts", "state", "word"),
    [
        (OVER_CABLE, State.OK, "does not prove that anybody listens"),
        (OutputFacts("desk:9000"), State.FAILS, "not known"),
        (OutputFacts("10.9.9.9:9000", "10.9.9.9", unreachable="Network is unreachable"), State.FAILS, "no way leads"),
        (replace(OVER_CABLE, refused=True), State.FAILS, "nobody listens on this port"),
        (replace(OVER_CABLE, unreachable="No route to host"), State.FAILS, "No route to host"),
    ],
)
def test_outputs(facts: OutputFacts, state: State, word: str) -> None:
    (line,) = outputs([facts])
    is_line(line, state, word)


def test_no_output_is_a_look() -> None:
    (line,) = outputs([])
    is_line(line, State.LOOK, "outputs.osc")


@pytest.mark.parametrize(
    ("listen", "facts", "page", "state", "word"),
    [
        ("10.1.0.5", OVER_CABLE, "127.0.0.1", State.OK, "10.1.0.0/16"),
        ("10.1.0.5", OVER_AIR, "127.0.0.1", State.LOOK, "outputs to 10.1.0.9:9000"),
        ("10.1.0.5", OVER_CABLE, "10.1.0.5", State.LOOK, "the page use"),
        ("10.1.0.5", OVER_CABLE, "0.0.0.0", State.LOOK, "the page use"),
        ("0.0.0.0", OVER_CABLE, "127.0.0.1", State.LOOK, "outputs to 192.168.7.9:9000"),
        ("0.0.0.0", replace(OVER_CABLE, source="127.0.0.1"), "127.0.0.1", State.LOOK, "every network"),
        ("127.0.0.1", OVER_AIR, "0.0.0.0", State.OK, "this machine only"),
    ],
)
def test_seat_values_apart(listen: str, facts: OutputFacts, page: str, state: State, word: str) -> None:
    is_line(apart(listen, LAN, [facts], page), state, word)


@pytest.mark.parametrize(
    ("facts", "state", "word"),
    [
        (PacketFacts("ws://x", "acknowledged", took_s=1.0), State.OK, "acknowledged after 1.00 s"),
        (PacketFacts("ws://x", "acknowledged", took_s=1.0, own=True), State.OK, "started for this check"),
        (PacketFacts("ws://x", "acknowledged", took_s=3.0), State.LOOK, "slow"),
        (PacketFacts("ws://x", "", "Connection refused"), State.FAILS, "firewall"),
        (PacketFacts("ws://x", "connected", "seat: …"), State.FAILS, "keyring"),
        (PacketFacts("ws://x", "welcomed", "nothing within 6 s"), State.FAILS, "bus does not accept"),
    ],
)
def test_packet(facts: PacketFacts, state: State, word: str) -> None:
    is_line(judge_packet(facts), state, word)


def test_a_line_that_asks_says_what_to_do() -> None:
    with pytest.raises(ValueError, match="nothing of what to do"):
        fails("clock", "it is wrong", "")


def test_state_is_in_words_and_sign() -> None:
    assert text(ok("disk", "room")).startswith("✓ ok     disk")
    assert text(look("disk", "little", "sweep")).startswith("! look   disk")
    assert text(fails("disk", "none", "sweep")).startswith("✗ fails  disk")
    plain = text(fails("disk", "none", "sweep"), plain=True)
    assert plain.isascii()
    assert plain.startswith("x fails")
    assert "-> sweep" in plain


def test_exit_code_and_summary() -> None:
    look_only = [ok("a", "b"), look("a", "b", "c")]
    assert exit_code(look_only) == 0
    assert "doors can open; look" in summary(look_only)
    assert exit_code([*look_only, fails("a", "b", "c")]) == 1
    assert "1 fails" in summary([*look_only, fails("a", "b", "c")])
    assert as_json([fails("a", "b", "c")], complete=False) == {
        "complete": False, "fails": True, "lines": [{"name": "a", "state": "fails", "found": "b", "do": "c"}],
    }  # fmt: skip

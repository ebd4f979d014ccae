"""``ripieno check`` against real ports, disks, sockets, Redis and houses: each check fails for the reason planted."""

from __future__ import annotations

import argparse
import asyncio
import json
import socket
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from aggregator.command import build_parser, check, check_lines, files
from aggregator.command.check_lines import Given, Round
from aggregator.command.house import Surroundings, open_house
from aggregator.command.settings import Settings, load
from loadtest import check_machine, check_network
from loadtest.check_line import Line, State
from relay.seat_card import Keyring, issue
from tests import redis_servers
from tests.redis_servers import needs_redis


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def settings(**fixed: Any) -> Settings:
    base = {"evening.seats": 20, "relay.port": 0, "monitor.port": 0}
    return load(None, {}, base | {k.replace("__", "."): v for k, v in fixed.items()})


def arguments(*words: str) -> argparse.Namespace:
    return build_parser().parse_args(["check", *words])


def states(lines: list[Line]) -> dict[str, State]:
    made: dict[str, State] = {}
    for line in lines:
        made[line.name] = max(line.state, made.get(line.name, State.OK))
    return made


async def all_lines(with_settings: Settings, given: Given) -> list[Line]:
    return [line for _, ask in check_lines.checks(with_settings, given) for line in await ask()]


@contextmanager
def listener(kind: int = socket.SOCK_STREAM) -> Iterator[int]:
    with closing(socket.socket(socket.AF_INET, kind)) as taken:
        taken.bind(("127.0.0.1", 0))
        if kind == socket.SOCK_STREAM:
            taken.listen(1)
        yield taken.getsockname()[1]


def tokens(with_settings: Settings, seats: int) -> Path:
    ring = files.keyring(with_settings, make=True)
    plan = files.seat_plan(with_settings)
    rows = ["seat,section,label,role,token"]
    for seat in range(1, seats + 1):
        section = plan.sections[int(plan.section[seat - 1])].key
        token = issue(ring, with_settings.evening.id, seat)
        rows.append(f"{seat},{section},{plan.labels[seat - 1]},audience,{token}")
    made = Path("tokens.csv")
    made.write_text("\n".join(rows) + "\n")
    return made


async def test_everything_that_is_ours_to_make_good_is_ok() -> None:
    with listener(socket.SOCK_DGRAM) as port:
        good = settings(outputs__osc=[f"127.0.0.1:{port}"])
        lines = await all_lines(good, Given(tokens(good, 20)))
    found = states(lines)
    found.pop("clock")  # the machine's own
    assert set(found.values()) == {State.OK}, lines
    assert list(found) == [
        "ports", "certificate", "seat tokens", "redis", "disk", "file limits", "outputs", "seat values", "one packet",
    ]  # fmt: skip


async def test_a_port_that_something_else_has() -> None:
    with listener() as port:
        (line,) = await Round(settings(relay__port=port), Given()).ports()
    assert line.state is State.FAILS
    assert "taken by something else" in line.found


async def test_an_address_that_is_not_here() -> None:
    (line,) = await Round(settings(relay__listen="192.0.2.1"), Given()).ports()
    assert line.state is State.FAILS
    assert "no address of this machine" in line.found


async def test_a_missing_keyring_and_plan() -> None:
    lines = await Round(settings(evening__plan="none.toml"), Given()).tokens()
    assert [line.state for line in lines] == [State.FAILS, State.FAILS]
    assert "none.toml" in lines[0].found
    assert "keyring" in lines[1].found


async def test_a_seat_without_token() -> None:
    (line,) = await Round(settings(), Given(tokens(settings(), 19))).tokens()
    assert line.state is State.FAILS
    assert "has no token" in line.found


@pytest.mark.parametrize("text", [None, "no cards\n"])
def test_no_file_of_tokens(text: str | None) -> None:
    files.keyring(settings(), make=True)
    path = Path("t.csv")
    if text is not None:
        path.write_text(text)
    (line,) = asyncio.run(Round(settings(), Given(path)).tokens())
    assert line.state is State.FAILS


async def test_a_checkpoint_folder_that_is_missing() -> None:
    (line,) = await Round(settings(checkpoint__path="nowhere/x"), Given()).disk()
    assert line.state is State.FAILS
    assert "nowhere" in line.found


def test_the_disk_check_leaves_nothing(folder: Path) -> None:
    assert check_machine.disk(folder / "x").problem == ""
    assert list(folder.iterdir()) == []


async def test_more_seats_than_open_files(monkeypatch: pytest.MonkeyPatch) -> None:
    import resource

    monkeypatch.setattr(resource, "getrlimit", lambda _: (1024, 4096))
    (line,) = await Round(settings(evening__seats=5000), Given()).files()
    assert line.state is State.FAILS


async def test_a_clock_that_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    real, calls = time.time, iter((0.0, 1.0))
    monkeypatch.setattr("loadtest.check_machine.time.time", lambda: real() + next(calls, 1.0))
    (line,) = await Round(settings(), Given()).clock()
    assert line.state is State.LOOK
    assert "stepped by +1.0" in line.found


async def test_an_output_where_nobody_listens() -> None:
    with listener(socket.SOCK_DGRAM) as port:
        pass
    (line,) = await Round(settings(outputs__osc=[f"127.0.0.1:{port}"]), Given()).show()
    assert line.state is State.FAILS
    assert "nobody listens" in line.found


async def test_an_output_of_no_known_name() -> None:
    (line,) = await Round(settings(outputs__osc=["nowhere.invalid:9000"]), Given()).show()
    assert line.state is State.FAILS
    assert "not known" in line.found


async def test_an_output_by_an_interface_that_is_not_here() -> None:
    with_interface = settings(outputs__osc=["127.0.0.1:9"], outputs__interface="192.0.2.1")
    (line,) = await Round(with_interface, Given()).show()
    assert line.state is State.FAILS
    assert "no way leads there" in line.found


async def test_an_output_that_is_no_target() -> None:
    (line,) = await Round(settings(outputs__osc=["desk"]), Given()).show()
    assert line.state is State.FAILS


async def test_an_empty_bundle_is_all_that_is_sent() -> None:
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as engine:
        engine.bind(("127.0.0.1", 0))
        engine.setblocking(False)
        await check_network.output("127.0.0.1", engine.getsockname()[1], "")
        heard = {engine.recv(2000), engine.recv(2000)}
    assert heard == {b"#bundle\0\0\0\0\0\0\0\0\1"}  # Open Sound Control 1.0: a bundle of no elements, "immediately"


def test_this_machines_addresses() -> None:
    found = {(i.address, i.prefix) for i in check_network.interfaces()}
    assert ("127.0.0.1", 8) in found


async def test_phones_on_every_network() -> None:
    (line,) = await Round(settings(relay__listen="0.0.0.0"), Given()).apart()
    assert line.state is State.LOOK


def test_a_certificate_file_that_is_none() -> None:
    Path("c.pem").write_text("hello")
    (line,) = asyncio.run(Round(settings(), Given(certificate=Path("c.pem"))).certificate())
    assert line.state is State.FAILS


async def test_a_running_house_is_recognised_and_used() -> None:
    ring = files.keyring(settings(), make=True)
    house = await open_house(settings(checkpoint__path=""), Surroundings(files.seat_plan(settings()), ring, ""))
    page = int(house.page_url.rstrip("/").rpartition(":")[2])
    running = settings(relay__port=house.relay.port, monitor__port=page)
    try:
        turn = Round(running, Given())
        while not (lines := await turn.ports())[1].found.startswith("it runs"):
            assert "no snapshot" in lines[1].found  # only until the first one
        assert lines[0].state is State.OK
        assert "ours" in lines[0].found
        await turn.tokens()
        (line,) = await turn.packet()
        assert line.state is State.OK
        assert str(house.relay.port) in line.found
        assert house.inner.service.last is not None
        assert house.inner.service.last.house.counted == 0
        turn.keyring = Keyring.generate()  # another house's
        (line,) = await turn.packet()
        assert line.state is State.FAILS
        assert "no welcome" in line.found
        assert "keyring" in line.do
    finally:
        await house.close()


async def test_a_running_house_whose_keyring_is_not_here() -> None:
    turn = Round(settings(), Given())
    turn.relay_runs = True
    (line,) = await turn.packet()
    assert line.state is State.FAILS


async def test_no_house_at_the_given_address() -> None:
    with listener() as port:
        pass
    turn = Round(settings(), Given(url=f"ws://127.0.0.1:{port}/phone"), keyring=Keyring.generate())
    (line,) = await turn.packet()
    assert line.state is State.FAILS
    assert "no connection" in line.found


@needs_redis
@pytest.mark.needs_redis
async def test_redis_with_each_fault(folder: Path) -> None:
    with redis_servers.single(folder) as server:
        on_redis = settings(bus__url=f"redis://127.0.0.1:{server.port}", checkpoint__path="")
        turn = Round(on_redis, Given())
        assert [line.state for line in await turn.redis()] == [State.OK, State.OK]
        assert turn.bus is not None
        assert abs(turn.bus[0]) < 0.5  # one machine, one clock
        (line,) = await turn.packet()
        assert line.state is State.OK, line
        assert server.cli("KEYS", "*") == ""
        strict = Round(replace(on_redis, bus=replace(on_redis.bus, accepted="replica")), Given())
        assert "no replica" in (await strict.redis())[1].found
        server.cli("CONFIG", "SET", "maxmemory-policy", "allkeys-lru")
        assert "allkeys-lru" in (await turn.redis())[1].found
        server.cli("CONFIG", "SET", "appendonly", "no")
        assert "append-only file is off" in (await turn.redis())[1].found
        server.kill()
        (line,) = await turn.redis()
        assert line.state is State.FAILS
        (line,) = await turn.packet()
        assert line.state is State.FAILS
        assert "not tried" in line.found


@needs_redis
@pytest.mark.needs_redis
async def test_every_primary_of_a_cluster_is_asked(folder: Path) -> None:
    with redis_servers.cluster(folder) as servers:
        hosts = ",".join(f"127.0.0.1:{s.port}" for s in servers[:3])
        turn = Round(settings(bus__url=f"redis+cluster://{hosts}", checkpoint__path=""), Given())
        assert [line.state for line in await turn.redis()] == [State.OK, State.OK]
        (line,) = await turn.packet()
        assert line.state is State.OK, line
        for server in servers:  # whichever is a primary
            server.cli("CONFIG", "SET", "maxmemory-policy", "allkeys-lru")
        assert [line.state for line in await turn.redis()] == [State.OK, State.FAILS]


async def slow_then(state: State) -> list[Line]:
    await asyncio.sleep(0.05)
    return [Line("x", state, "found", "do")]


async def test_progress_is_said_when_a_check_takes_long(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(check, "STILL_AFTER_S", 0.01)
    made: list[Line] = []
    assert await check._check([("slow", lambda: slow_then(State.LOOK))], made, as_json_text=False) == 0
    said = capsys.readouterr()
    assert "slow: still asking" in said.err
    assert "doors can open; look" in said.out


async def test_a_failing_line_is_exit_code_1(capsys: pytest.CaptureFixture[str]) -> None:
    assert await check._check([("x", lambda: slow_then(State.FAILS))], [], as_json_text=True) == 1
    assert json.loads(capsys.readouterr().out)["complete"] is True


async def test_stopped_in_the_middle(capsys: pytest.CaptureFixture[str]) -> None:
    begun = asyncio.Event()

    async def endless() -> list[Line]:
        begun.set()
        await asyncio.Event().wait()
        return []

    checks = [("quick", lambda: slow_then(State.OK)), ("endless", endless)]
    work = asyncio.ensure_future(check._check(checks, [], as_json_text=True))
    await begun.wait()
    work.cancel()
    assert await work == 130
    said = capsys.readouterr()
    assert "stopped; 1 lines" in said.err
    assert json.loads(said.out)["complete"] is False


def test_wrong_url(capsys: pytest.CaptureFixture[str]) -> None:
    from aggregator.command import main

    assert main(["check", "--url", "http://house.example"]) == 2
    assert "--url: found" in capsys.readouterr().err


def test_options() -> None:
    args = arguments("--json", "--tokens", "t.csv", "--url", "wss://house.example/phone")
    assert args.json
    assert not args.phone

"""The monitor's service side: API, live messages, the operator's key, security headers, plain errors."""

from __future__ import annotations

import asyncio
import json
import re
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from importlib import resources
from typing import Any

import aiohttp
import numpy as np
import pytest
from aiohttp import WSMsgType

from aggregator.monitor.api import (
    HISTORY_HZ,
    HISTORY_S,
    LABELS_MAX,
    History,
    MonitorStatus,
    OutputStatus,
    QueueStatus,
    live_message,
)
from aggregator.monitor.server import PAGE, Monitor, MonitorError
from aggregator.outputs.newest import ReaderCounts
from aggregator.outputs.osc import ServiceState
from aggregator.outputs.osc_sender import TargetStatistics
from relay.parts import PARTS
from relay.seat_plan import generated
from tests.aggregator.helper_outputs import links, snapshot

PLAN = generated(120)
KEY = "operator-key-of-the-tests"
STATUS = MonitorStatus(
    version="9.9",
    outputs=(OutputStatus("127.0.0.1:9000", "Open Sound Control", sent=7, age_s=0.1),),
    queues=(QueueStatus("bus", 3, 100, "entries", "phones are asked to wait", 1),),
    notices=("rest shortened for the demo",),
)


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@asynccontextmanager
async def served(**settings: Any) -> AsyncIterator[tuple[Monitor, aiohttp.ClientSession, str]]:
    monitor = Monitor(PLAN, **settings)
    port = await monitor.start("127.0.0.1", 0)
    try:
        async with aiohttp.ClientSession(f"http://127.0.0.1:{port}") as session:
            yield monitor, session, f"127.0.0.1:{port}"
    finally:
        await monitor.close()


async def eventually(condition: Callable[[], bool]) -> None:
    while not condition():  # noqa: ASYNC110 - the condition is a counter of the server's
        await asyncio.sleep(0)


def parsed(data: bytes) -> tuple[dict[str, Any], np.ndarray[Any, np.dtype[np.uint8]]]:
    (length,) = struct.unpack_from("<I", data)
    return json.loads(data[4 : 4 + length]), np.frombuffer(data, np.uint8, offset=4 + length).reshape(3, -1)


async def test_the_page_and_its_files_come_with_a_strict_policy() -> None:
    async with served() as (_, session, _where):
        for name, kind in PAGE.items():
            async with session.get("/" if name == "index.html" else f"/{name}") as answer:
                assert answer.status == 200
                assert answer.content_type == kind
                policy = answer.headers["Content-Security-Policy"]
                assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self';")
                assert "unsafe" not in policy
                assert answer.headers["X-Content-Type-Options"] == "nosniff"
                assert answer.headers["Cache-Control"] == "no-store"


def test_the_page_names_nothing_from_elsewhere_and_has_no_inline_script() -> None:
    folder = resources.files("aggregator.monitor") / "page"
    assert {f.name for f in folder.iterdir()} == set(PAGE)
    for name in PAGE:
        text = (folder / name).read_text()
        assert not re.search(r"https?://", text), name
        assert "eval(" not in text
        assert "innerHTML" not in text
    page = (folder / "index.html").read_text()
    assert re.findall(r"<script[^>]*>", page) == ['<script type="module" src="main.js">']
    assert not re.search(r"\son[a-z]+=|style=", page)


async def test_live_messages_carry_header_and_seats() -> None:
    clock = Clock()
    async with served(clock=clock, title="Hall") as (monitor, session, _):
        shot = snapshot(PLAN, 5)
        monitor.update(shot, STATUS)
        clock.now_s += 0.5
        async with session.ws_connect("/api/live") as page:
            monitor.tell()
            header, (level, confidence, state) = parsed(await page.receive_bytes())
        assert header["age_ms"] == 500
        assert (header["sequence"], header["epoch"], header["part"], header["version"]) == (5, 3, "piece", "9.9")
        assert header["state"] == "running"
        assert header["states"] == shot.states.tolist()
        assert header["notices"] == ["rest shortened for the demo"]
        assert header["outputs"][0]["sent"] == 7
        assert [label[1:] for label in header["labels"]] == [["part", "piece"]]
        assert header["queues"][0] == {
            "name": "bus", "fill": 3, "bound": 100, "unit": "entries", "policy": "phones are asked to wait", "lost": 1,
        }  # fmt: skip
        assert np.abs(level / 255 - shot.arousal).max() <= 0.5 / 255 + 1e-6
        assert np.abs(confidence / 255 - shot.confidence).max() <= 0.5 / 255 + 1e-6
        assert np.array_equal(state, shot.state)


async def test_linkage_and_who_is_left_out_reach_the_page() -> None:
    async with served() as (monitor, session, _):
        async with session.get("/api/linkage") as answer:
            assert (await answer.json())["performers"] == []
        shot = snapshot(PLAN, 5, left_out={"pulse": (12, 240), "skin": (0, 250)}, links=links(PLAN.seats, "viola"))
        monitor.update(shot, STATUS)
        async with session.get("/api/linkage") as answer:
            (viola,) = (await answer.json())["performers"]
        async with session.ws_connect("/api/live") as page:
            monitor.tell()
            while "left_out" not in (header := parsed(await page.receive_bytes())[0]):
                pass
    assert header["left_out"] == ["12 of 240 are left out of the pulse: faint or moving signal."]
    assert header["linked"] == ["viola"]
    assert viola["name"] == "viola"
    for i, row in enumerate(("value", "lag_s", "beyond")):
        np.testing.assert_allclose(viola[row], shot.links["viola"][i], atol=0.0051)


def test_a_live_message_is_aligned_and_never_not_a_number() -> None:
    shot = snapshot(PLAN)
    broken = shot.arousal.copy()
    broken[:3] = np.nan, np.inf, -1.0
    data = live_message({"x": "ü" * 3}, replace(shot, arousal=broken))
    assert struct.unpack_from("<I", data)[0] % 4 == 0
    _, (level, _, _) = parsed(data)
    assert level[:3].tolist() == [0, 255, 0]


async def test_before_the_first_snapshot_and_when_it_is_old() -> None:
    clock = Clock()
    async with served(clock=clock) as (monitor, session, _):
        async with session.get("/health") as answer:
            assert answer.status == 503
            assert await answer.json() == {"fresh": False, "age_s": None}
        async with session.ws_connect("/api/live") as page:
            header, seats = parsed(await page.receive_bytes())
            assert header["age_ms"] is None
            assert "house" not in header
            assert seats.size == 0
            monitor.update(snapshot(PLAN), STATUS)
            async with session.get("/health") as answer:
                assert answer.status == 200
            clock.now_s += 7
            monitor.tell()
            while (header := parsed(await page.receive_bytes())[0])["age_ms"] != 7000:
                pass
            async with session.get("/health") as answer:
                assert answer.status == 503


async def test_state_and_plan() -> None:
    async with served(title="Hall") as (monitor, session, _):
        monitor.update(snapshot(PLAN, 1), STATUS)
        monitor.tell()
        monitor.update(snapshot(PLAN, 2, part="interval"), replace(STATUS, markers=((5, "tutti"),)))
        monitor.tell()
        monitor.tell()  # nothing new: not remembered twice
        async with session.get("/api/state") as answer:
            said = await answer.json()
        assert [row[0] for row in said["history"]] == [snapshot(PLAN, k).cut_ms for k in (1, 2)]
        assert said["history"][0][1:] == [0.5, 0.8, 0.47, 0.53]
        assert [label[1:] for label in said["labels"]] == [["part", "piece"], ["part", "interval"], ["marker", "tutti"]]
        assert said["now"]["part"] == "interval"
        async with session.get("/api/plan") as answer:
            plan = await answer.json()
        assert plan["title"] == "Hall"
        assert plan["labels"] == list(PLAN.labels)
        assert [p["name"] for p in plan["parts"]] == list(PARTS)
        assert plan["states"][7] == "no contact"


def test_history_and_labels_are_bounded() -> None:
    history = History()
    for k in range(3_000):
        marker = ((k, "m" * 500),)
        history.add(snapshot(generated(2), k), replace(STATUS, markers=marker))
    assert len(history.rows) == HISTORY_S * HISTORY_HZ
    assert len(history.labels) == LABELS_MAX
    assert max(len(text) for _, _, text in history.labels) == 60


async def test_the_part_changes_with_the_operator_s_key() -> None:
    asked: list[str] = []

    async def on_part(part: str) -> None:
        asked.append(part)

    async with served(operator_token=KEY, on_part=on_part) as (_, session, _where):
        headers = {"Authorization": f"Bearer {KEY}"}
        async with session.post("/api/part", json={"part": "interval"}, headers=headers) as answer:
            assert answer.status == 200
            assert await answer.json() == {"said": "Part: interval."}
        assert asked == ["interval"]
        bad: tuple[tuple[dict[str, str], bytes, int], ...] = (
            ({}, b'{"part": "rest"}', 401),
            ({"Authorization": "Bearer wrong"}, b'{"part": "rest"}', 401),
            ({"Authorization": KEY[:-1]}, b'{"part": "rest"}', 401),
            (headers, b"", 400),
            (headers, b"[]", 400),
            (headers, b'"part"', 400),
            (headers, b'{"part": 3}', 400),
            (headers, b'{"part": "encore"}', 400),
            (headers, b"\xff", 400),
            (headers, b" " * 5000, 413),
        )
        for shown, body, status in bad:
            async with session.post("/api/part", data=body, headers=shown) as answer:
                assert answer.status == status, body
                assert KEY not in await answer.text()
        assert asked == ["interval"]


async def test_without_a_key_nobody_changes_the_part() -> None:
    async def on_part(_: str) -> None:
        raise AssertionError("must not be called")

    async with served(on_part=on_part) as (_, session, _where):
        for shown in ({}, {"Authorization": "Bearer "}):
            async with session.post("/api/part", json={"part": "rest"}, headers=shown) as answer:
                assert answer.status == 403


async def test_a_change_that_the_service_could_not_write_is_said() -> None:
    async def on_part(_: str) -> None:
        raise ConnectionError("the bus does not answer")

    async with served(operator_token=KEY, on_part=on_part) as (_, session, _where):
        headers = {"Authorization": f"Bearer {KEY}"}
        async with session.post("/api/part", json={"part": "rest"}, headers=headers) as answer:
            assert answer.status == 503
            assert "Not accepted" in (await answer.json())["said"]


async def test_another_site_cannot_read_the_live_values() -> None:
    async with served() as (monitor, session, where):
        async with session.get("/api/live", headers={"Origin": "http://elsewhere.example"}) as answer:
            assert answer.status == 403
        async with session.ws_connect("/api/live", origin=f"http://{where}") as page:
            assert (await page.receive()).type is WSMsgType.BINARY
        assert monitor.pages.refused == 1


async def test_pages_are_bounded_and_may_not_speak() -> None:
    async with served(max_pages=1) as (monitor, session, _), session.ws_connect("/api/live") as page:
        await eventually(lambda: monitor.pages.readers == 1)
        async with session.get("/api/live") as answer:
            assert answer.status == 503
        await page.send_str("hello")
        while (message := await page.receive()).type is WSMsgType.BINARY:
            pass
        assert message.data == 1008
        await eventually(lambda: monitor.pages.readers == 0)


async def test_further_routes_share_the_port() -> None:
    async def hello(_: aiohttp.web.Request) -> aiohttp.web.StreamResponse:
        return aiohttp.web.Response(text="hello")

    async with served(routes={"/feed": hello}) as (_, session, _where), session.get("/feed") as answer:
        assert await answer.text() == "hello"


async def test_a_port_in_use_is_one_sentence() -> None:
    async with served() as (_, _session, where):
        second = Monitor(PLAN)
        with pytest.raises(MonitorError, match=r"port \d+ on 127\.0\.0\.1 is in use: stop what uses it, or choose"):
            await second.start("127.0.0.1", int(where.split(":")[1]))
        await second.close()


@pytest.mark.parametrize(("host", "port"), [("203.0.113.7", 8080), ("127.0.0.1", 70_000), ("no-such-host.invalid", 80)])
async def test_an_address_that_is_not_ours_is_one_sentence(host: str, port: int) -> None:
    with pytest.raises(MonitorError, match=r"choose|check"):
        await Monitor(PLAN).start(host, port)


def test_an_output_s_counters_reach_the_page() -> None:
    counters = TargetStatistics("10.0.0.5:9000", 9, 900, refused=2, dropped=3, unreachable=4, last_error="full")
    shown = OutputStatus.of(counters)
    assert (shown.name, shown.sent, shown.refused, shown.dropped, shown.unreachable) == ("10.0.0.5:9000", 9, 2, 3, 4)
    assert (shown.age_s, shown.note) == (None, "full")


def test_readers_reach_the_page_as_bounded_places() -> None:
    shown = QueueStatus.of_readers("feed", ReaderCounts(16, readers=3, refused=2, cut_off=1))
    assert (shown.fill, shown.bound, shown.unit, shown.lost) == (3, 16, "readers", 3)


async def test_every_service_state_has_a_word() -> None:
    async with served() as (monitor, session, _):
        for state in ServiceState:
            monitor.update_status(replace(STATUS, state=state))
            async with session.get("/api/state") as answer:
                assert (await answer.json())["now"]["state"] == state.name.lower().replace("_", "-")

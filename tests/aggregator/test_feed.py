"""The websocket feed: both forms against FEED.md's table, tokens, closed parts, slow and talking readers."""

from __future__ import annotations

import asyncio
import json
import re
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import numpy as np
import pytest
from aiohttp import WSMsgType, web

import aggregator.outputs
from aggregator.outputs import newest as newest_module
from aggregator.outputs.feed import Feed, FeedSettings
from aggregator.outputs.feed_layout import encode_binary, encode_json
from aggregator.outputs.newest import Newest
from aggregator.snapshot import PerformerValue, SeatState
from relay.parts import PARTS
from relay.seat_plan import generated
from tests.aggregator.helper_outputs import links, snapshot

TOKEN = "a-token-for-the-tests"
PLAN = generated(120)


@asynccontextmanager
async def served(feed: Feed) -> AsyncIterator[tuple[aiohttp.ClientSession, str]]:
    app = web.Application()
    app.router.add_get("/feed", feed.handler)
    runner = web.AppRunner(app, shutdown_timeout=0.1)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    try:
        async with aiohttp.ClientSession() as session:
            yield session, f"http://127.0.0.1:{runner.addresses[0][1]}/feed"
    finally:
        await runner.cleanup()


async def eventually(condition: Callable[[], bool]) -> None:
    """Give the loop turns until a condition holds; the test's own time-out bounds it."""
    while not condition():  # noqa: ASYNC110 - the condition is a counter of the server's
        await asyncio.sleep(0)


def parsed(data: bytes) -> dict[str, Any]:
    """A reader written from FEED.md alone, sharing nothing with the encoder."""
    names = (
        "magic",
        "epoch",
        "sequence",
        "header",
        "cut_ms",
        "seats",
        "sections",
        "part",
        "open",
        "missing",
        "trailer",
    )
    head = dict(zip(names, struct.unpack_from("<4sIIIQIHBBII", data), strict=True))
    at = head["header"]
    if not head["open"]:
        assert len(data) == at
        return head
    estimates = []
    for _ in range(1 + head["sections"]):
        *floats, counted = struct.unpack_from("<10fI", data, at)
        estimates.append((floats, counted))
        at += 44
    n = head["seats"]
    arousal = np.frombuffer(data, "<f4", n, at)
    confidence = np.frombuffer(data, "<f4", n, at + 4 * n)
    state = np.frombuffer(data, np.uint8, n, at + 8 * n)
    tail = data[at + 9 * n :]
    assert len(tail) == head["trailer"]
    return head | {"estimates": estimates, "arousal": arousal, "confidence": confidence, "state_": state, "tail": tail}


PERFORMER = PerformerValue("first violin", 0.7, 0.9, 3, {"pulse": (0.6, 0.8)}, (("beat", 0.82, 0.4, 17),), (0.3, 0.1))


def test_binary_form_follows_the_document() -> None:
    shot = snapshot(PLAN, 41, missing=(2, 5), performers=(PERFORMER,))
    got = parsed(encode_binary(shot))
    assert (got["magic"], got["epoch"], got["sequence"], got["cut_ms"]) == (b"RPF1", 3, 41, shot.cut_ms)
    assert (got["seats"], got["sections"], got["open"], got["missing"]) == (120, 3, 1, 2)
    assert got["part"] == list(PARTS).index("piece")
    assert np.array_equal(got["arousal"], shot.arousal)
    assert np.array_equal(got["confidence"], shot.confidence)
    assert np.array_equal(got["state_"], shot.state)
    floats, counted = got["estimates"][0]
    house = shot.house
    expected = (house.arousal, house.confidence, house.p10, house.p50, house.p90, house.low, house.high, house.slope)
    assert floats[:8] == pytest.approx(expected, abs=1e-6)
    assert counted == house.counted
    assert got["estimates"][2][0][0] == pytest.approx(shot.sections[1][1].arousal, abs=1e-6)
    assert json.loads(got["tail"])[0]["name"] == "first violin"


def test_the_document_states_the_sizes_and_numbers_in_use() -> None:
    text = (Path(aggregator.outputs.__file__).parent / "FEED.md").read_text()
    assert f"### Header, {struct.calcsize('<4sIIIQIHBBII')} bytes" in text
    assert f"### Estimate, {struct.calcsize('<10fI')} bytes" in text
    rows = re.findall(r"^\| (\d+) \| (?:4 bytes|uint\d+) \| (?:\w| )+ \|", text, flags=re.MULTILINE)
    assert [int(r) for r in rows] == [0, 4, 8, 12, 16, 24, 28, 30, 31, 32, 36]
    for number, name in enumerate(PARTS):
        assert re.search(rf"\b{number} {name}\b", text)
    for state in SeatState:
        assert f"{int(state)} {state.name.lower().replace('_', ' ')}" in text


def test_json_form() -> None:
    shot = snapshot(PLAN, 41, performers=(PERFORMER,))
    got = json.loads(encode_json(shot))
    assert (got["epoch"], got["sequence"], got["part"], got["open"]) == (3, 41, "piece", True)
    assert got["seats"]["arousal"] == pytest.approx(shot.arousal, abs=5e-5)
    assert got["seats"]["state"] == shot.state.tolist()
    assert got["house"]["arousal"] == 0.5
    assert list(got["sections"]) == ["stalls", "circle", "balcony"]
    assert got["performers"][0]["channels"] == {"pulse": [0.6, 0.8]}


@pytest.mark.parametrize("part", [*PARTS, "unheard-of"])
def test_no_value_leaves_in_a_closed_part(part: str) -> None:
    shot = snapshot(PLAN, part=part, performers=(PERFORMER,))
    text, binary = json.loads(encode_json(shot)), parsed(encode_binary(shot))
    is_open = part in PARTS and PARTS[part].open
    assert text["open"] is is_open
    assert binary["open"] == is_open
    assert set(text) - {"epoch", "sequence", "cut_ms", "part", "open"} == (
        {"house", "sections", "seats", "performers", "missing_shards"} if is_open else set()
    )


async def test_both_forms_arrive_over_a_real_websocket() -> None:
    feed = Feed(PLAN, FeedSettings(token=TOKEN))
    async with served(feed) as (session, url):
        async with (
            session.ws_connect(f"{url}?token={TOKEN}") as text,
            session.ws_connect(f"{url}?form=binary", headers={"Authorization": f"Bearer {TOKEN}"}) as binary,
        ):
            await eventually(lambda: all(c.readers for c in feed.counts.values()))
            feed.publish(snapshot(PLAN, 7))
            assert json.loads(await text.receive_str())["sequence"] == 7
            assert parsed(await binary.receive_bytes())["sequence"] == 7
        await eventually(lambda: not any(c.readers for c in feed.counts.values()))
        async with session.get(f"{url}?form=plan&token={TOKEN}") as answer:
            assert await answer.json() == {
                "seats": 120, "sections": ["stalls", "circle", "balcony"], "parts": list(PARTS),
            }  # fmt: skip


async def test_linkage_of_the_seats_is_asked_for_and_closed_with_the_outputs() -> None:
    feed = Feed(PLAN, FeedSettings(token=TOKEN))
    known = links(PLAN.seats, "viola", "horn")
    async with served(feed) as (session, url):

        async def asked() -> dict[str, Any]:
            async with session.get(f"{url}?form=linkage&token={TOKEN}") as answer:
                assert answer.status == 200
                said: dict[str, Any] = await answer.json()
                return said

        assert await asked() == {"cut_ms": 0, "performers": []}
        feed.publish(snapshot(PLAN, 7, links=known))
        said = await asked()
        feed.publish(snapshot(PLAN, 8, links=known, part="set-up"))
        assert (await asked())["performers"] == []
        async with session.get(f"{url}?form=linkage") as answer:
            assert answer.status == 401
    assert [p["name"] for p in said["performers"]] == ["viola", "horn"]
    np.testing.assert_allclose(said["performers"][1]["beyond"], known["horn"][2], atol=0.0051)


async def test_a_reader_that_comes_later_is_not_given_an_old_snapshot() -> None:
    feed = Feed(PLAN, FeedSettings(token=TOKEN))
    async with served(feed) as (session, url):
        async with session.ws_connect(f"{url}?token={TOKEN}") as first:
            await eventually(lambda: feed.counts["json"].readers == 1)
            feed.publish(snapshot(PLAN, 1))
            await first.receive_str()
        await eventually(lambda: feed.counts["json"].readers == 0)
        feed.publish(snapshot(PLAN, 2))
        async with session.ws_connect(f"{url}?token={TOKEN}") as second:
            await eventually(lambda: feed.counts["json"].readers == 1)
            feed.publish(snapshot(PLAN, 3))
            assert json.loads(await second.receive_str())["sequence"] == 3


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("", 401),
        ("?token=", 401),
        ("?token=a-token-for-the-test", 401),
        ("?token=%ff%00", 401),
        (f"?form=xml&token={TOKEN}", 400),
    ],
)
async def test_refusals(query: str, status: int) -> None:
    async with served(Feed(PLAN, FeedSettings(token=TOKEN))) as (session, url), session.get(url + query) as answer:
        assert answer.status == status
        assert TOKEN not in await answer.text()


async def test_without_a_token_the_feed_is_off() -> None:
    async with served(Feed(PLAN)) as (session, url), session.get(f"{url}?token=") as answer:
        assert answer.status == 404


async def test_large_houses_are_binary_only_and_places_are_bounded() -> None:
    feed = Feed(PLAN, FeedSettings(token=TOKEN, max_readers=1, json_seats_max=100))
    async with served(feed) as (session, url):
        async with session.get(f"{url}?token={TOKEN}") as answer:
            assert answer.status == 400
            assert "?form=binary" in await answer.text()
        async with session.ws_connect(f"{url}?form=binary&token={TOKEN}"):
            await eventually(lambda: feed.counts["binary"].readers == 1)
            async with session.get(f"{url}?form=binary&token={TOKEN}") as answer:
                assert answer.status == 503


async def test_a_reader_that_speaks_is_closed() -> None:
    feed = Feed(PLAN, FeedSettings(token=TOKEN))
    async with served(feed) as (session, url), session.ws_connect(f"{url}?token={TOKEN}") as reader:
        await reader.send_str("set arousal 1")
        message = await reader.receive()
        assert message.type is WSMsgType.CLOSE
        assert message.data == 1008
        await eventually(lambda: feed.counts["json"].readers == 0)
        assert feed.counts["json"].refused == 1


async def test_a_slow_reader_gets_the_newest_and_never_a_queue() -> None:
    """1,000 snapshots of 180 kB while nobody reads: what is kept is bounded, and the newest arrives in the end."""
    large = generated(20_000)
    feed = Feed(large, FeedSettings(token=TOKEN))
    base = snapshot(large)
    async with served(feed) as (session, url):
        slow = await session.ws_connect(f"{url}?form=binary&token={TOKEN}", max_msg_size=1 << 20)
        await eventually(lambda: feed.counts["binary"].readers == 1)
        for k in range(1, 1001):
            feed.publish(replace(base, k=k, sequence=k))
            await asyncio.sleep(0)
        got = [0]
        while got[-1] < 1000:
            got.append(parsed(await slow.receive_bytes())["sequence"])
        assert got == sorted(set(got))
        assert len(got) < 200
        assert feed.counts["binary"].skipped >= 800
        await slow.close()


async def test_a_reader_that_takes_nothing_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(newest_module, "STUCK_S", 0.01)
    large = generated(20_000)
    feed = Feed(large, FeedSettings(token=TOKEN))
    base = snapshot(large)
    async with served(feed) as (_, url):
        port = int(url.split(":")[2].split("/")[0])
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1024)
        ask = (
            f"GET /feed?form=binary&token={TOKEN} HTTP/1.1", "Host: localhost", "Upgrade: websocket",
            "Connection: Upgrade", "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==",
        )  # fmt: skip
        writer.write("\r\n".join((*ask, "", "")).encode())
        await reader.readuntil(b"\r\n\r\n")
        counts = feed.counts["binary"]
        k = 0
        while counts.cut_off == 0:
            k += 1
            feed.publish(replace(base, k=k, sequence=k))
            await asyncio.sleep(0)
        await eventually(lambda: counts.readers == 0)
        writer.close()


async def test_newest_skips_to_the_last() -> None:
    newest: Newest[str] = Newest()
    waiting = asyncio.create_task(newest.after(0))
    await asyncio.sleep(0)
    for value in ("one", "two", "three"):
        newest.publish(value)
    assert await waiting == (3, "three")
    assert await newest.after(1) == (3, "three")


@pytest.mark.parametrize(
    ("bad", "key"),
    [
        (FeedSettings(token="short"), "token"),
        (FeedSettings(max_readers=0), "max_readers"),
        (FeedSettings(json_seats_max=-1), "json_seats_max"),
    ],
)
def test_settings_out_of_range_are_named_and_the_token_never_shown(bad: FeedSettings, key: str) -> None:
    (problem,) = bad.problems()
    assert problem.startswith(f"{key}: found ")
    assert "short" not in problem
    with pytest.raises(ValueError, match=key):
        Feed(PLAN, bad)

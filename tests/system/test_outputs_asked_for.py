"""Outputs that leave only where the settings ask for them: the websocket feed, the seats' confidence."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from aggregator.command.aggregation import osc_sender
from aggregator.command.errors import UserError
from aggregator.command.house import Surroundings, open_house
from aggregator.command.settings import CheckpointSection, MonitorSection, OutputsSection, RelaySection, Settings
from aggregator.outputs import osc_sender as sending
from relay.seat_plan import generated
from tests.relay.phone import RING

PLAN = generated(12)
TOKEN = "a token of the feed"


def settings(**outputs: Any) -> Settings:
    return replace(
        Settings(), relay=RelaySection(port=0), monitor=MonitorSection(port=0), checkpoint=CheckpointSection(path=""),
        outputs=replace(OutputsSection(), **outputs),
    )  # fmt: skip


async def test_the_feed_is_on_with_a_token_file_and_off_without(tmp_path: Path) -> None:
    file = tmp_path / "feed_token"
    file.write_text(TOKEN + "\n")
    answers = []
    for named in ("", str(file)):
        house = await open_house(settings(feed_token_file=named), Surroundings(PLAN, RING, "an operator's key"))
        try:
            async with aiohttp.ClientSession() as session:
                for token in ("wrong", TOKEN):
                    url = f"{house.page_url}feed?form=plan&token={token}"
                    async with session.get(url) as answer:
                        answers.append(answer.status)
        finally:
            await house.close()
    assert answers == [404, 404, 401, 200]


async def test_a_short_token_is_refused_in_a_sentence(tmp_path: Path) -> None:
    file = tmp_path / "feed_token"
    file.write_text("short\n")
    with pytest.raises(UserError, match="feed_token_file: token: found 5 characters"):
        await open_house(settings(feed_token_file=str(file)), Surroundings(PLAN, RING, "an operator's key"))


@pytest.mark.parametrize("wanted", [False, True])
def test_seat_confidence_leaves_where_it_is_asked_for(wanted: bool) -> None:
    sender = osc_sender(settings(osc_seat_confidence=wanted), PLAN)
    try:
        assert any(b"/seats/confidence" in bytes(d) for d in sender.layout.datagrams()) is wanted
    finally:
        sender.close()


async def test_a_house_starts_while_its_show_engine_has_no_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cold start during a failure of the name server: the house runs, and page and metric say what is wrong."""

    def nobody(_: sending.Target) -> list[Any]:
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    monkeypatch.setattr(sending, "_look_up", nobody)
    house = await open_house(settings(osc=("desk.example:9000",)), Surroundings(PLAN, RING, "an operator's key"))
    try:
        async with aiohttp.ClientSession() as session, asyncio.timeout(20):
            outputs: list[dict[str, Any]] = []
            while not outputs or not outputs[0]["note"]:
                async with session.get(f"{house.page_url}api/state") as answer:
                    outputs = (await answer.json())["now"]["outputs"]
                await asyncio.sleep(0.05)
            assert "'desk.example' is not known now" in outputs[0]["note"]
            async with session.get(f"{house.page_url}metrics") as answer:
                assert "ripieno_aggregator_failing_targets 1.0" in await answer.text()
    finally:
        await house.close()


async def test_a_target_that_can_never_be_one_is_refused_in_a_sentence() -> None:
    with pytest.raises(UserError, match="check its spelling"):
        await open_house(settings(osc=("udp://desk:9000",)), Surroundings(PLAN, RING, "an operator's key"))

"""Outputs that leave only where the settings ask for them: the websocket feed, the seats' confidence."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from aggregator.command.aggregation import osc_sender
from aggregator.command.errors import UserError
from aggregator.command.house import Surroundings, open_house
from aggregator.command.settings import CheckpointSection, MonitorSection, OutputsSection, RelaySection, Settings
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

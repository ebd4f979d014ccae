"""Settings of who may come in: each reaches the relay, and what cannot be meant is refused in a sentence."""

from __future__ import annotations

import asyncio
import shutil
import ssl
import subprocess
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import pytest
import websockets

from aggregator.command.errors import UserError
from aggregator.command.house import Surroundings, open_house, relay_settings
from aggregator.command.settings import CheckpointSection, MonitorSection, Settings, SettingsError, load
from loadtest import check_machine
from relay.bus_memory import MemoryBus
from relay.seat_card import issue
from relay.seat_plan import generated
from relay.server import Relay
from tests.relay.phone import RING, hello

PLAN = generated(12)
OPENSSL = pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl to make a certificate")


def written(folder: Path, text: str, **environment: str) -> Settings:
    path = folder / "evening.toml"
    path.write_text(text)
    return load(path, environment, {"relay.port": 0})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[evening]\nopens = "tonight"', "evening.opens: found 'tonight', allowed: 2027-"),
        ('[evening]\nopens = "2027-03-05T18:00:00"', "evening.opens: found '2027-03-05T18:00:00', allowed: 2027-"),
        ("[evening]\ncloses = 2027-03-05T18:00:00", "evening.closes: found"),
        (
            '[evening]\nopens = "2027-03-05T18:00:00Z"\ncloses = "2027-03-05T18:00:00+01:00"',
            "evening.closes: found '2027-03-05T18:00:00+01:00', allowed: after evening.opens",
        ),
        ('[evening]\nrevoked = ["117"]', "evening.revoked: found ['117'], allowed: SEAT:GENERATION"),
        ('[evening]\nrevoked = ["1:1024"]', "evening.revoked: found ['1:1024']"),
        ('[evening]\nrevoked = ["0:1"]', "evening.revoked: found ['0:1']"),
        ('[evening]\nconsent_text = ""', "evening.consent_text: found '', allowed: 1..64"),
        ('[relay]\ntls_key = "key.pem"', "relay.tls_certificate: found nothing, needed with relay.tls_key"),
        ('[relay]\ntls_certificate = "house.pem"', "relay.tls_key: found nothing, needed with relay.tls_certificate"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError) as caught:
        written(tmp_path, text)
    assert len(caught.value.problems) == 1
    assert said in caught.value.problems[0]


def test_a_moment_is_read_as_toml_s_own_too(tmp_path: Path) -> None:
    for text in ('"2027-03-05T18:00:00+01:00"', "2027-03-05T18:00:00+01:00", "2027-03-05T17:00:00Z"):
        settings = written(tmp_path, f"[evening]\nopens = {text}")
        assert relay_settings(settings, PLAN, RING).opens_s == 1_804_266_000.0


def test_from_the_environment(tmp_path: Path) -> None:
    settings = written(tmp_path, "", RIPIENO_EVENING_REVOKED="117:0, 3:2", RIPIENO_EVENING_CONSENT_TEXT="spring 2")
    made = relay_settings(settings, PLAN, RING)
    assert made.revoked == {(117, 0), (3, 2)}
    assert made.consent_text == "spring 2"


async def answers(settings: Settings, cards: list[str]) -> list[dict[str, Any]]:
    """The relay's first word to each card."""
    relay = Relay()
    await relay.start(MemoryBus(), relay_settings(settings, PLAN, RING))
    try:
        made = []
        for n, card in enumerate(cards):
            async with websockets.connect(f"ws://127.0.0.1:{relay.port}/phone", compression=None) as phone:
                await phone.send(said(card, n))
                made.append(orjson.loads(await phone.recv()))
        return made
    finally:
        await relay.close()


def said(token: str, n: int = 0) -> str:
    """A hello with this card."""
    return orjson.dumps({**orjson.loads(hello()), "seat": token, "stream": f"{n + 1}"}).decode()


def card(seat: int, generation: int) -> str:
    return issue(RING, "evening", seat, generation=generation)


async def test_a_lost_card_is_retired_and_the_next_printing_admits(tmp_path: Path) -> None:
    settings = written(tmp_path, '[evening]\nrevoked = ["3:0"]')
    lost, again, other = await answers(settings, [card(3, 0), card(3, 1), card(4, 0)])
    assert (lost["type"], lost["code"]) == ("error", "seat")
    assert "newer card" in lost["allowed"]
    assert (again["type"], other["type"]) == ("welcome", "welcome")


async def test_cards_admit_within_the_hours(tmp_path: Path) -> None:
    far, past = "2100-01-01T00:00:00Z", "2020-01-01T00:00:00Z"
    for text, admitted in (
        (f'opens = "{far}"', False),
        (f'closes = "{past}"', False),
        (f'opens = "{past}"\ncloses = "{far}"', True),
    ):
        (answer,) = await answers(written(tmp_path, f"[evening]\n{text}"), [card(3, 0)])
        assert (answer["type"] == "welcome") is admitted


async def test_a_newer_text_is_asked_again(tmp_path: Path) -> None:
    (answer,) = await answers(written(tmp_path, '[evening]\nconsent_text = "2"'), [card(3, 0)])
    assert answer["consent"] == {"text": "2", "given": False}


def certificate(folder: Path) -> tuple[Path, Path]:
    """A house's own certificate, made by openssl."""
    made, key = folder / "house.pem", folder / "key.pem"
    subprocess.run(
        [
            "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-days", "1", "-subj", "/CN=hall.example", "-addext", "subjectAltName=DNS:hall.example", "-keyout", key,
            "-out", made,
        ],
        check=True, capture_output=True, timeout=30,
    )  # fmt: skip
    return made, key


@OPENSSL
async def test_the_phones_port_shows_the_house_s_certificate(tmp_path: Path) -> None:
    """The whole house by its settings; `ripieno check` still knows whose port it is."""
    made, key = await asyncio.to_thread(certificate, tmp_path)
    settings = written(tmp_path, f'[relay]\ntls_certificate = "{made}"\ntls_key = "{key}"')
    settings = replace(settings, monitor=MonitorSection(port=0), checkpoint=CheckpointSection(path=""))
    house = await open_house(settings, Surroundings(PLAN, RING, "an operator's key"))
    try:
        assert house.phone_url == f"wss://127.0.0.1:{house.relay.port}/phone"
        trusting = ssl.create_default_context(cafile=str(made))
        url = f"wss://hall.example:{house.relay.port}/phone"
        async with websockets.connect(url, ssl=trusting, host="127.0.0.1", compression=None) as phone:
            await phone.send(said(card(3, 0)))
            assert orjson.loads(await phone.recv())["type"] == "welcome"
        assert await check_machine.health("127.0.0.1", house.relay.port) is None
        health = await check_machine.health("127.0.0.1", house.relay.port, tls=True)
        assert health is not None
        assert health["ok"] is True
    finally:
        await house.close()


@OPENSSL
def test_a_certificate_that_cannot_be_used_is_one_sentence(tmp_path: Path) -> None:
    made, key = certificate(tmp_path)
    _, other = certificate(_folder(tmp_path / "other"))
    encrypted = tmp_path / "encrypted.pem"
    subprocess.run(
        ["openssl", "pkey", "-in", key, "-aes256", "-passout", "pass:secret", "-out", encrypted],
        check=True, capture_output=True, timeout=30,
    )  # fmt: skip
    begun = time.monotonic()
    for shown, with_key in ((made, other), (made, encrypted), (tmp_path / "none.pem", key), (key, key)):
        settings = written(tmp_path, f'[relay]\ntls_certificate = "{shown}"\ntls_key = "{with_key}"')
        with pytest.raises(UserError, match="do not go together"):
            relay_settings(settings, PLAN, RING)
    assert time.monotonic() - begun < 60.0  # nobody was asked for a password


def _folder(path: Path) -> Path:
    path.mkdir()
    return path

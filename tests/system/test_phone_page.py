"""The page for one real phone, in a headless Chromium against a real relay: it holds, or names the cause."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import aiohttp
import pytest

from loadtest.check_causes import CAUSES, PhoneResult
from loadtest.check_packet import send
from loadtest.check_phone import PATH, PhoneCheck, Where
from relay.bus_memory import MemoryBus
from relay.seat_card import Keyring, issue
from relay.server import Relay, RelaySettings
from tests.system import helper_browser
from tests.system.helper_browser import CHROMIUM, Browser, browser

pytestmark = [
    pytest.mark.needs_browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed (Debian: chromium)"),
]
EVENING = "premiere"
RING = Keyring.generate()
HOSTS = ("127.0.0.1", "localhost")


@dataclass
class Stage:
    """A relay, the page's server, and what phones reported."""

    relay: Relay = field(default_factory=Relay)
    bus: MemoryBus = field(default_factory=MemoryBus)
    results: list[PhoneResult] = field(default_factory=list)
    reported: asyncio.Event = field(default_factory=asyncio.Event)
    page: PhoneCheck | None = None

    async def open(self, port: int = 0) -> None:
        await self.relay.start(self.bus, RelaySettings(keyring=RING, evening=EVENING, port=port))

    async def serve(self, where: Where, token: str) -> None:
        self.page = PhoneCheck(where, token, HOSTS, self.heard)
        await self.page.start("127.0.0.1", 0)

    def heard(self, result: PhoneResult) -> None:
        self.results.append(result)
        self.reported.set()

    async def visit(self, one: Browser, *, seconds: int = 3, token: str | None = None) -> None:
        assert self.page is not None
        shown = self.page.token if token is None else token
        await one.open(f"http://127.0.0.1:{self.page.port}{PATH}?seconds={seconds}#{shown}", 400, 900)

    async def report(self) -> PhoneResult:
        await asyncio.wait_for(self.reported.wait(), 40)
        return self.results[-1]


@asynccontextmanager
async def stage(*, card: str | None = None, where: Where | None = None) -> AsyncIterator[Stage]:
    made = Stage()
    await made.open()
    token = card or issue(RING, EVENING, 900_001, "test")
    standard = Where(False, "", made.relay.port, "/phone")
    await made.serve(standard if where is None else replace(where, port=where.port or made.relay.port), token)
    try:
        yield made
    finally:
        assert made.page is not None
        await made.page.close()
        await made.relay.close()


async def step(one: Browser, name: str) -> str:
    return str(await one.value(f"document.getElementById({name!r}).dataset.state"))


async def ended(one: Browser) -> str:
    await one.until("!document.getElementById('again').hidden")
    return await one.text("verdict")


async def test_a_phone_that_holds(tmp_path: Path) -> None:
    async with stage() as made, browser(tmp_path) as one:
        await made.visit(one, seconds=4)
        assert await ended(one) == "This phone holds."
        assert [await step(one, s) for s in ("reached", "resolve", "certificate", "join", "hold")] == [
            "ok", "ok", "look", "ok", "ok",
        ]  # fmt: skip
        result = await made.report()
        assert (result.cause, result.reconnects, result.hidden, result.secure) == ("", 0, 0, False)
        assert 0.0 < result.silence_s < 5.0
        assert made.relay.core.counters.packets >= 8
        assert one.problems == []
        assert made.page is not None
        allowed = (f"http://127.0.0.1:{made.page.port}/", f"http://127.0.0.1:{made.relay.port}/health")
        assert all(u.startswith((*allowed, f"ws://127.0.0.1:{made.relay.port}/phone", "data:")) for u in one.requested)


async def test_a_card_that_the_house_refuses(tmp_path: Path) -> None:
    async with stage(card=issue(Keyring.generate(), EVENING, 7, "test")) as made, browser(tmp_path) as one:
        await made.visit(one)
        assert await ended(one) == CAUSES["card"][0]
        assert await step(one, "join") == "fails"
        assert (await made.report()).cause == "card"


async def test_an_address_without_its_card(tmp_path: Path) -> None:
    async with stage() as made, browser(tmp_path) as one:
        await made.visit(one, token="")
        assert await ended(one) == CAUSES["token"][0]
        assert made.results == [], "who does not have the card cannot report"


async def test_no_house(tmp_path: Path) -> None:
    async with stage() as made, browser(tmp_path) as one:
        await made.relay.close()
        await made.visit(one)
        assert await ended(one) == CAUSES["port"][0]
        assert await step(one, "resolve") == "fails"
        assert await one.text("todo") == CAUSES["port"][1]


async def test_a_name_that_the_phone_does_not_know(tmp_path: Path) -> None:
    unknown = Where(False, "house.invalid", 0, "/phone", ("127.0.0.1",))
    async with stage(where=unknown) as made, browser(tmp_path) as one:
        await made.visit(one)
        assert await ended(one) == CAUSES["name"][0]
        assert (await made.report()).cause == "name"


async def test_a_certificate_that_the_check_refused(tmp_path: Path) -> None:
    where = Where(True, "localhost", 0, "/phone", ("127.0.0.1",), "certificate has expired")
    async with stage(where=where) as made, browser(tmp_path) as one:
        await made.visit(one)
        assert await ended(one) == CAUSES["certificate"][0]
        assert await step(one, "certificate") == "fails"


async def test_a_path_that_is_no_websocket(tmp_path: Path) -> None:
    async with stage(where=Where(False, "", 0, "/elsewhere")) as made, browser(tmp_path) as one:
        await made.visit(one)
        assert await ended(one) == CAUSES["websocket"][0]


async def test_a_house_that_goes_away_for_a_moment(tmp_path: Path) -> None:
    async with stage() as made, browser(tmp_path) as one:
        await made.visit(one, seconds=8)
        await one.until("document.getElementById('hold').dataset.state === 'runs'")
        port = made.relay.port
        await made.relay.close()
        made.relay = Relay()
        await made.open(port)
        assert await ended(one) == CAUSES["dropped"][0]
        result = await made.report()
        assert result.cause == "dropped"
        assert result.reconnects >= 1


async def test_a_network_that_goes_away(tmp_path: Path) -> None:
    async with stage() as made, browser(tmp_path) as one:
        await made.visit(one, seconds=6)
        await one.until("document.getElementById('hold').dataset.state === 'runs'")
        await one.value("dispatchEvent(new Event('offline'))")
        await made.relay.close()
        assert await ended(one) == CAUSES["offline"][0]


@pytest.mark.skipif(not shutil.which("openssl"), reason="openssl is not installed")
@pytest.mark.parametrize("encrypted", [True, False], ids=["wss", "ws"])
async def test_an_encrypted_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encrypted: bool) -> None:
    """With TLS on both sides it holds, and says ok; an encrypted page may not ask an unencrypted house."""
    monkeypatch.setattr(helper_browser, "FLAGS", (*helper_browser.FLAGS, "--ignore-certificate-errors"))
    tls = await asyncio.to_thread(context, tmp_path)
    made = Stage()
    await made.relay.start(made.bus, RelaySettings(keyring=RING, evening=EVENING, tls=tls if encrypted else None))
    where = Where(encrypted, "localhost", made.relay.port, "/phone", ("127.0.0.1",))
    made.page = PhoneCheck(where, issue(RING, EVENING, 9, "test"), HOSTS, made.heard)
    await made.page.start("127.0.0.1", 0, tls)
    try:
        async with browser(tmp_path / "profile") as one:
            await one.open(f"https://localhost:{made.page.port}{PATH}?seconds=2#{made.page.token}", 400, 900)
            assert await ended(one) == ("This phone holds." if encrypted else CAUSES["mixed"][0])
            assert await step(one, "certificate") == ("ok" if encrypted else "fails")
            assert one.problems == []
            assert (await made.report()).secure is encrypted
    finally:
        await made.page.close()
        await made.relay.close()


def context(folder: Path) -> ssl.SSLContext:
    """A server's side of TLS, with a certificate that signed itself."""
    words = [
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-subj",
        "/CN=x",
        "-days",
        "3",
    ]
    files = ["-keyout", str(folder / "key.pem"), "-out", str(folder / "certificate.pem")]
    names = ["-addext", "subjectAltName=DNS:localhost"]
    subprocess.run(["openssl", *words, *names, *files], check=True, capture_output=True, timeout=30)
    made = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    made.load_cert_chain(folder / "certificate.pem", folder / "key.pem")
    return made


async def test_another_phone_with_the_same_card(tmp_path: Path) -> None:
    async with stage() as made, browser(tmp_path) as one:
        await made.visit(one, seconds=20)
        await one.until("document.getElementById('hold').dataset.state === 'runs'")
        assert made.page is not None
        assert (await send(f"ws://127.0.0.1:{made.relay.port}/phone", made.page.token)).reached == "acknowledged"
        assert await ended(one) == CAUSES["second"][0]


HELD: dict[str, object] = {
    "code": 0,
    "reconnects": 0,
    "live": True,
    "stalled": False,
    "silence": 1100,
    "opened": True,
    "later": False,
}


async def test_every_cause_is_named_for_its_reason(tmp_path: Path) -> None:
    came_back: dict[str, object] = {"reconnects": 1}
    holds: list[tuple[dict[str, object], dict[str, object], str]] = [
        ({}, {}, ""), ({}, {"hidden": 2}, ""), ({}, {"offline": 1}, ""), ({"silence": 5200}, {}, "silence"),
        (came_back, {}, "dropped"), (came_back, {"mobile": True}, "mobile"), (came_back, {"moved": True}, "mobile"),
        (came_back, {"offline": 1}, "offline"), (came_back, {"hidden": 1}, "hidden"),
        (came_back, {"away": True}, "away"),
        ({"reconnects": 1, "stalled": True}, {}, "silence"), ({"live": False}, {}, "silence"),
        ({"code": 4005, "live": False}, {}, "second"),
    ]  # fmt: skip
    joins: list[tuple[dict[str, object], str]] = [
        ({"code": 4001}, "card"), ({"code": 4004}, "card"), ({"code": 4005}, "second"), ({"later": True}, "full"),
        ({"opened": False, "code": 1006}, "websocket"), ({}, "acknowledgement"),
    ]  # fmt: skip
    async with stage() as made, browser(tmp_path) as one:
        await made.visit(one, token="")
        for planted, seen, cause in holds:
            asked = f"m.holdCause({json.dumps(HELD | planted)}, {json.dumps(seen)})"
            assert await one.value(f"import('{PATH}/causes.js').then((m) => {asked})") == cause, (planted, seen)
        for refused, cause in joins:
            asked = f"m.joinCause({json.dumps(HELD | refused)})"
            assert await one.value(f"import('{PATH}/causes.js').then((m) => {asked})") == cause, refused
    assert {cause for *_, cause in (*holds, *joins)} - {""} <= set(CAUSES)


async def test_what_the_server_takes_and_says() -> None:
    async with stage() as made, aiohttp.ClientSession() as session:
        assert made.page is not None
        base = f"http://127.0.0.1:{made.page.port}{PATH}"
        async with session.get(base) as answer:
            policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert f"ws://127.0.0.1:{made.relay.port}" in policy
        good = {"cause": "", "seconds": 120, "reconnects": 0, "silence_s": 1.1, "hidden": 0, "secure": True}
        card = {"Authorization": f"Bearer {made.page.token}"}
        for body, headers, status in (
            (good, {}, 401), (good, {"Authorization": "Bearer x"}, 401), ({**good, "cause": "\x1b[2J"}, card, 400),
            ({**good, "seconds": "long"}, card, 400), ({**good, "hidden": True}, card, 400), ([1], card, 400),
            (good, card, 204),
        ):  # fmt: skip
            async with session.post(f"{base}/result", json=body, headers=headers) as answer:
                assert answer.status == status, body
        with contextlib.suppress(aiohttp.ClientError):
            async with session.post(f"{base}/result", data=b"x" * 5000, headers=card) as answer:
                assert answer.status in (400, 413)
        async with session.get(f"{base}/where") as answer:
            assert "127.0.0.1" not in await answer.text()
    assert made.results == [PhoneResult("", 120.0, 0, 1.1, 0, True)]

"""One real packet through a relay, and a TLS handshake with it: the phone's side of the check before doors. Shell."""

from __future__ import annotations

import asyncio
import secrets
import ssl
import time
from dataclasses import dataclass
from urllib.parse import urlsplit

import aiohttp
import numpy as np

from loadtest import messages
from loadtest.check_certificate import CertificateError, HandshakeFacts, read
from loadtest.check_line import Line, fails, look, ok
from relay.entries import Channel
from relay.wire import Block, Packet, encode

NAME = "one packet"
TRY_S = 6.0  # the relay itself waits 5 s for a hello
SLOW_S = 1.5  # acknowledgements come once a second, or after 8 packets
CHANNEL = Channel("temperature", 1.0, "C", 0.01, 0.0)
THIRTY_C = 3000


@dataclass(frozen=True, slots=True)
class PacketFacts:
    """How far one packet came: ``reached`` the last step done, ``problem`` in the relay's words or the system's."""

    url: str
    reached: str = ""
    problem: str = ""
    took_s: float = 0.0
    own: bool = False


STEPS = {
    "": ("no connection", "start the house; check address, port and firewall between here and there"),
    "connected": ("no welcome", "do keyring and evening of these settings belong to the house that runs?"),
    "welcomed": ("no acknowledgement", "the relay runs but its bus does not accept: look at the lines above"),
}


def judge(facts: PacketFacts) -> Line:
    """The line: acknowledged, and by which house."""
    whose = "a house started for this check" if facts.own else facts.url
    if facts.reached != "acknowledged":
        what, do = STEPS[facts.reached]
        return fails(NAME, f"{whose}: {what} ({facts.problem})", do)
    found = f"{whose}: joined as test, sent, acknowledged after {facts.took_s:.2f} s"
    if facts.took_s > SLOW_S:
        return look(NAME, f"{found}: slow", "what else does this machine do? `ripieno loadtest` tells what it holds")
    return ok(NAME, found)


async def send(url: str, token: str, *, own: bool = False, named: bool = True) -> PacketFacts:
    """Join with a token of role test, send one packet of one value, wait for its acknowledgement. ``named``: the
    address has the house's name, so its certificate, if it has one, must fit; on this machine's own none could."""
    steps, said, took_s = [""], "", 0.0
    try:
        async with (
            asyncio.timeout(TRY_S),
            aiohttp.ClientSession() as session,
            session.ws_connect(url, compress=0, ssl=named) as socket,
        ):
            steps.append("connected")
            took_s, said = await _exchange(socket, token, steps)
    except TimeoutError:
        said = f"nothing within {TRY_S:.0f} s"
    except (aiohttp.ClientError, OSError, ValueError) as error:
        said = str(error) or type(error).__name__
    return PacketFacts(url, steps[-1], said, took_s, own)


async def _exchange(socket: aiohttp.ClientWebSocketResponse, token: str, steps: list[str]) -> tuple[float, str]:
    """(seconds from welcome to acknowledgement, the relay's complaint or why it closed)."""
    begun, said = time.perf_counter(), ""
    await socket.send_str(messages.hello(token, secrets.randbits(63) | 1, 0, [CHANNEL]))
    async for text in socket:
        message = messages.parse(text.data) if text.type is aiohttp.WSMsgType.TEXT else {}
        kind = message.get("type")
        if kind == "welcome":
            steps.append("welcomed")
            begun = time.perf_counter()
            if not message["consent"]["given"]:
                await socket.send_str(messages.consent(str(message["consent"]["text"])))
            await socket.send_bytes(packet())
        elif kind == "ack" and int(message["next"]) > 0:
            steps.append("acknowledged")
            await socket.send_str(messages.goodbye())
            return time.perf_counter() - begun, ""
        elif kind == "error":
            said = f"{message.get('code')}: {message.get('found')}"
        elif kind == "later":
            said = "the house is full, or its bus is away: it says to come back later"
    return 0.0, said or f"the relay closed with {socket.close_code}"


def packet() -> bytes:
    """Packet 0 of a stream: one temperature of 30 degrees."""
    return encode(Packet(0, time.monotonic_ns() // 1000, (Block(0, 0, np.array([THIRTY_C], np.int16)),)))


async def tls(url: str) -> HandshakeFacts:
    """Shake hands as a phone does, and once without checking, to read what is shown."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port or 443
    refusal = ""
    try:
        await _shake(host, port, ssl.create_default_context())
    except ssl.SSLCertVerificationError as error:
        refusal = error.verify_message
    except (OSError, TimeoutError) as error:
        return HandshakeFacts(host, port, problem=str(error) or "no answer")
    blind = ssl.create_default_context()
    blind.check_hostname, blind.verify_mode = False, ssl.CERT_NONE
    try:
        der = await _shake(host, port, blind)
        return HandshakeFacts(host, port, read(der), refusal)
    except (OSError, TimeoutError, CertificateError) as error:
        return HandshakeFacts(host, port, problem=str(error) or "no answer")


async def _shake(host: str, port: int, context: ssl.SSLContext) -> bytes:
    async with asyncio.timeout(TRY_S):
        _, writer = await asyncio.open_connection(host, port, ssl=context, server_hostname=host)
    try:
        shown = writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
        return bytes(shown or b"")
    finally:
        writer.transport.abort()

"""``ripieno check --phone``: serves the page for one real phone, beside a running house or one started for it."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import socket
import ssl
import sys
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import segno

from aggregator.command import check_lines, common, files
from aggregator.command.errors import UserError, port_taken
from aggregator.command.house import LOOPBACK, Surroundings, open_house, reachable
from aggregator.command.settings import Settings
from loadtest import check_machine, check_network, check_packet
from loadtest.check_causes import PhoneResult, judge, verdict
from loadtest.check_line import Line, State, text
from loadtest.check_phone import PATH, PhoneCheck, Where, page_hosts
from relay.seat_card import Keyring

PAGE_PORT = 9402  # beside the phones' 9401
HTTPS = 443


def options(p: argparse.ArgumentParser) -> None:
    """The options of the phone's page."""
    p.add_argument("--phone", action="store_true", help="serve the page for one real phone until Ctrl-C")
    p.add_argument("--phone-page-port", type=int, default=PAGE_PORT, metavar="PORT", help="its port (default 9402)")
    p.add_argument("--listen", metavar="ADDRESS", help="address that phones reach (default: relay.listen)")
    p.add_argument("--key", type=Path, metavar="FILE.pem", help="with --certificate: serve the phone's page over TLS")


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Serve the page; 1 when a phone failed, else 0."""
    if args.key is not None and args.certificate is None:
        raise UserError("--key goes with --certificate")
    if not 0 <= args.phone_page_port <= 65535:
        raise UserError(f"--phone-page-port: found {args.phone_page_port}, allowed 0..65535 (0: any free)")
    return common.run_until_stopped(_serve(args, settings))


async def _serve(args: argparse.Namespace, settings: Settings) -> int:
    lines: list[Line] = []

    def ended(result: PhoneResult) -> None:
        lines.append(judge(result))
        print(text(lines[-1], plain=plain_terminal()), flush=True)

    async with _relay(args.url, settings) as (where, ring):
        page = PhoneCheck(where, check_lines.test_card(ring, settings), _hosts(), ended)
        try:
            await page.start(settings.relay.listen, args.phone_page_port, _tls(args))
        except OSError as error:
            raise port_taken(
                error, settings.relay.listen, args.phone_page_port, "the phone's page", "--phone-page-port"
            ) from error
        _greet(page, settings, tls=args.key is not None)
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            bad = sum(line.state is State.FAILS for line in lines)
            common.say(f"ripieno: {len(lines)} phones reported, {bad} failed")
        finally:
            await page.close()
    return verdict(lines)


@contextlib.asynccontextmanager
async def _relay(url: str | None, settings: Settings) -> AsyncIterator[tuple[Where, Keyring]]:
    """Where phones connect: the address given, the running house, or a house started for as long as this runs."""
    r = settings.relay
    if url is not None:
        yield await _given(url), files.keyring(settings, make=False)
        return
    if r.port and await check_machine.health(reachable(r.listen), r.port) is not None:
        yield Where(False, "", r.port, check_lines.PHONE_PATH), files.keyring(settings, make=False)
        return
    if settings.bus.url != "memory":
        raise UserError("no relay answers on this machine: start one, or name where phones connect with --url")
    alone = replace(
        settings, monitor=replace(settings.monitor, listen="127.0.0.1", port=0),
        outputs=replace(settings.outputs, osc=()), checkpoint=replace(settings.checkpoint, path=""),
    )  # fmt: skip
    ring = Keyring.generate()
    house = await open_house(alone, Surroundings(files.seat_plan(settings), ring, ""))
    common.say("ripieno: no house runs here, so one was started for this check; it keeps nothing")
    try:
        yield Where(False, "", house.relay.port, check_lines.PHONE_PATH), ring
    finally:
        await house.close()


async def _given(url: str) -> Where:
    parts = urlsplit(url)
    host, tls = parts.hostname or "", parts.scheme == "wss"
    port = parts.port or (HTTPS if tls else 80)
    loop = asyncio.get_running_loop()
    try:
        found = await loop.getaddrinfo(host, port, family=socket.AF_INET, type=socket.SOCK_STREAM)
    except OSError as error:
        raise UserError(f"--url: the name {host!r} is not known here: check its spelling") from error
    shaken = await check_packet.tls(url) if tls else None
    refusal = (shaken.refusal or shaken.problem) if shaken else ""
    addresses = tuple(dict.fromkeys(str(f[4][0]) for f in found))
    return Where(tls, host, port, parts.path or check_lines.PHONE_PATH, addresses, refusal)


def _hosts() -> tuple[str, ...]:
    addresses = [i.address for i in check_network.interfaces()] or ["127.0.0.1"]
    return page_hosts(addresses, socket.getfqdn())


def _tls(args: argparse.Namespace) -> ssl.SSLContext | None:
    if args.key is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(args.certificate, args.key)
    except (OSError, ssl.SSLError) as error:
        raise UserError(f"--certificate and --key cannot be used together: {error}") from error
    return context


def _greet(page: PhoneCheck, settings: Settings, *, tls: bool) -> None:
    """The address to open, as text and as a square code."""
    listen = settings.relay.listen
    host = listen if listen not in ("0.0.0.0", "::") else page.hosts[0]
    if tls and page.where.host:
        host = page.where.host
    url = f"http{'s' if tls else ''}://{f'[{host}]' if ':' in host else host}:{page.port}{PATH}#{page.token}"
    common.say(f"ripieno: on the phone, open {url}")
    if sys.stderr.isatty():
        segno.make(url).terminal(out=sys.stderr, compact=True)
    if listen in LOOPBACK:
        common.say("ripieno: only this machine reaches it; --listen ADDRESS opens it to a phone")
    common.say("ripieno: whoever has this address can join as test (never counted). Ctrl-C ends.")


def plain_terminal() -> bool:
    """Whether this terminal cannot show the signs."""
    try:
        "✓→".encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return True
    return False

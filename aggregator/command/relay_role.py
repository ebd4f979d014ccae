"""``ripieno relay``: the door for phones, one role of a house that is scaled out."""

from __future__ import annotations

import argparse
import asyncio
import subprocess
import sys
from dataclasses import replace
from typing import Any

from aggregator.command import common, files
from aggregator.command.aggregate import bus_place, wait_for_bus
from aggregator.command.errors import UserError, port_taken
from aggregator.command.house import LOOPBACK, relay_settings
from aggregator.command.settings import Settings
from relay.bus_redis import RedisBus
from relay.redis_client import Place, shown
from relay.server import Relay, RelaySettings

HELP = """\
Take phones in and write what they send to the bus. Relays keep nothing that a crash could lose: start as many as needed
behind any TCP load balancer, or several on one port with --workers. Listens on this machine only until --listen names
an address. /health and /metrics answer on the same port.
"""
GATHER_MS = 5.0  # contract: ready sockets are gathered for up to 5 ms a turn; this process does nothing else
RESTART_PAUSE_S = 1.0  # between a worker's end and its successor: a worker that cannot start must not spin


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "relay", help="the door for phones of a house that is scaled out", description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    common.settings_options(p)
    p.add_argument("--listen", metavar="ADDRESS", help="address for phones (default 127.0.0.1: this machine only)")
    p.add_argument("--phone-port", type=int, metavar="PORT", help="port for phones (default 9401)")
    p.add_argument("--bus", metavar="URL", help="redis://HOST:PORT, redis+sentinel://…, redis+cluster://…")
    p.add_argument("--accepted", metavar="WHAT", help="process or replica: what an acknowledgement promises")
    p.add_argument("--workers", type=int, metavar="N", help="processes that share the port (default 1)")
    p.add_argument("--one-of-many", action="store_true", help=argparse.SUPPRESS)
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Relay until stopped; returns the exit code."""
    settings = common.settings_of(args, bus__url=args.bus, bus__accepted=args.accepted, relay__workers=args.workers)
    place = bus_place(settings)
    plan, ring = files.seat_plan(settings), files.keyring(settings, make=False)
    if settings.relay.workers > 1 and not args.one_of_many:
        if settings.relay.port == 0:
            raise UserError("--workers shares one port between processes: name it with --phone-port")
        return common.run_until_stopped(_workers(settings.relay.workers))
    return common.run_until_stopped(
        _relay(settings, place, replace(relay_settings(settings, plan, ring), gather_ms=GATHER_MS))
    )


async def _relay(settings: Settings, place: Place, how: RelaySettings) -> int:
    bus = RedisBus(place, settings.evening.id, accepted=settings.bus.accepted)
    await wait_for_bus(bus.now_ms, place)
    relay = Relay()
    try:
        await relay.start(bus, how)
    except OSError as error:
        await bus.close()
        raise port_taken(error, how.host, how.port, "the relay for phones", "--phone-port") from error
    common.say(
        f"ripieno: relay on {how.host}:{relay.port}, bus {shown(settings.bus.url)}, "
        f"accepted means {settings.bus.accepted}"
    )
    if how.host not in LOOPBACK and how.tls is None:
        common.say("ripieno: without TLS here, put phones on a network of your own or a TLS proxy in front")
    try:
        await relay.ended()
    finally:
        await relay.close()
        await bus.close()
    return 0


async def _workers(count: int) -> int:
    """Keep ``count`` processes of this same command; one that ends is started again."""
    words = [sys.executable, "-m", "aggregator", *sys.argv[1:], "--one-of-many"]
    keepers = [asyncio.create_task(_keep(words)) for _ in range(count)]
    try:
        await asyncio.gather(*keepers)
    finally:
        for keeper in keepers:
            keeper.cancel()
        await asyncio.gather(*keepers, return_exceptions=True)
    return 0


async def _keep(words: list[str]) -> None:
    while True:
        process = await asyncio.create_subprocess_exec(*words, stdin=subprocess.DEVNULL)
        try:
            code = await process.wait()
        except asyncio.CancelledError:
            process.terminate()
            await process.wait()
            raise
        if code == 2:  # wrong use: it has said why, and would again
            raise UserError("a relay process could not start")
        common.say(f"ripieno: a relay process ended with {code}; starting another")
        await asyncio.sleep(RESTART_PAUSE_S)

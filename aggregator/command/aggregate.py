"""``ripieno aggregate``: one of several aggregators on a bus of their own. One leads, the others follow, warm."""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import secrets
import socket
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

from aggregator import saved
from aggregator.checkpoint import CheckpointError
from aggregator.command import common, files, sharing, warm
from aggregator.command.aggregation import Aggregation, engine_settings, open_aggregation
from aggregator.command.errors import UserError
from aggregator.command.going_on import first_tick, newest
from aggregator.command.settings import Settings
from aggregator.engine import Engine
from aggregator.leadership import Leadership, Leased, Watching
from aggregator.leases import Incarnation, LeaseStore
from aggregator.leases_redis import RedisLeaseStore
from aggregator.merger import Merger
from aggregator.parts_wire import MAX_NAME
from aggregator.saved import Saved
from aggregator.service import ServiceSettings
from relay.bus import BusUnavailable
from relay.bus_redis import RedisBus
from relay.redis_client import Place, RedisUrlError, parse_url, shown
from relay.seat_plan import SeatPlan

log = logging.getLogger(__name__)

T = TypeVar("T")
FIRST_WAIT_S = 60.0  # a bus that is still starting is waited for this long
ORIGIN = "origin"

HELP = """\
Read the bus, compute, and drive the show engine if this aggregator is the lead. Start two or more: exactly one leads;
the others compute the same snapshots, send nothing, and take over within two seconds. --watch serves the technician's
page and never leads. All need the same settings, and a checkpoint folder that all can read. With --owners N (or
engine.owners) three or more share the computing of a house that is too large for one: each of N portions of its
listeners has one owner and one warm follower.
"""


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "aggregate", help="one aggregator of a house that is scaled out", description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    common.settings_options(p)
    common.house_options(p)
    p.add_argument("--bus", metavar="URL", help="redis://HOST:PORT, redis+sentinel://…, redis+cluster://…")
    p.add_argument("--checkpoints", metavar="FOLDER", help="checkpoint folder, shared by all aggregators")
    p.add_argument("--owners", type=int, metavar="N", help="share the computing by N portions (the same for all)")
    p.add_argument("--watch", action="store_true", help="serve the page only: never lead, send nothing")
    p.add_argument("--name", metavar="NAME", help="this aggregator's name (default: host and process)")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Aggregate until stopped; returns the exit code."""
    settings = common.settings_of(
        args, bus__url=args.bus, checkpoint__path=args.checkpoints, engine__owners=args.owners
    )  # fmt: skip
    place = bus_place(settings)
    if not settings.checkpoint.path and not args.watch:
        raise UserError("an aggregator needs a checkpoint folder, --checkpoints FOLDER: only what is in one is trimmed")
    plan = files.seat_plan(settings)
    token, made = files.operator_token(settings)
    name = args.name or f"{socket.gethostname()}-{os.getpid()}"[-MAX_NAME:]
    if (size := len(name.encode())) > MAX_NAME or "/" in name:
        raise UserError(f"--name: found {size} bytes, allowed 1 to {MAX_NAME} and no / (files bear this name)")
    if made:
        common.say(f"ripieno: operator key for the page's buttons: {token}")
    warm.load()
    return common.run_until_stopped(_aggregate(settings, place, plan, token, name, watch=args.watch))


def bus_place(settings: Settings) -> Place:
    """Where the bus is. Raises UserError for the in-process bus and for addresses that name none."""
    if settings.bus.url == "memory":
        raise UserError(
            "this role needs a bus of its own: --bus redis://HOST:PORT, or run everything with `ripieno serve`"
        )
    try:
        return parse_url(settings.bus.url, files.first_line(settings.bus.password_file, "bus password"))
    except RedisUrlError as error:
        raise UserError(str(error)) from error


async def _aggregate(settings: Settings, place: Place, plan: SeatPlan, token: str, name: str, *, watch: bool) -> int:
    bus = RedisBus(place, settings.evening.id)
    leases = RedisLeaseStore(place, settings.evening.id)
    store = Incarnation(leases, secrets.token_hex(4))
    try:
        t0_ms, hz = await wait_for_bus(lambda: _origin(bus, store, settings), place)
        of = await wait_for_bus(lambda: sharing.owners(store, settings), place)
    except BaseException:
        await bus.close()
        await leases.close()
        raise
    folder = Path(settings.checkpoint.path) if settings.checkpoint.path else None
    leadership: Leadership = Watching() if watch else Leased(store, name)
    if of > 1:
        evening = sharing.Evening(settings, plan, t0_ms, hz, folder, of)
        inner = await sharing.open_shared(evening, bus, store, leadership, place, name, token, watch=watch)
    else:
        inner = await _open_whole(settings, plan, bus, leadership, folder, (t0_ms, hz), name, token, watch=watch)
    common.say(f"ripieno: {name}: bus {shown(settings.bus.url)}, page {inner.page_url}")
    try:
        await asyncio.shield(inner.running)
    except asyncio.CancelledError:
        common.say("ripieno: stopping; a spare takes over")
    finally:
        await inner.close()
        await leases.close()
    return 0


async def _open_whole(
    settings: Settings, plan: SeatPlan, bus: RedisBus, leadership: Leadership, folder: Path | None,
    origin: tuple[int, float], name: str, token: str, *, watch: bool,
) -> Aggregation:  # fmt: skip
    """An aggregator that computes the whole house."""
    t0_ms, hz = origin
    kept = newest(folder, t0_ms)
    engine, merger = _engine(settings, plan, kept, t0_ms, hz)
    first = first_tick(engine, await bus.now_ms())
    service = ServiceSettings(
        None if folder is None or watch else folder / f"{name}.checkpoint", settings.checkpoint.every_s,
        trim_without_checkpoint=False,
    )  # fmt: skip
    return await open_aggregation(
        settings, plan, bus, engine, merger, leadership, service=service, first_tick=first, operator_token=token,
        bus_id=kept.bus if kept is not None else "",
    )  # fmt: skip


async def wait_for_bus(ask: Callable[[], Awaitable[T]], place: Place) -> T:
    """Ask until the bus answers; containers start in any order. Raises UserError after a minute."""
    begun = asyncio.get_running_loop().time()
    said = False
    while True:
        try:
            return await ask()
        except BusUnavailable as error:
            if asyncio.get_running_loop().time() - begun > FIRST_WAIT_S:
                hosts = ", ".join(f"{h}:{p}" for h, p in place.hosts)
                raise UserError(f"the bus at {hosts} did not answer for {FIRST_WAIT_S:.0f} s ({error})") from error
            if not said:
                log.warning("waiting for the bus (%s)", error)
            said = True
            await asyncio.sleep(0.5)


async def _origin(bus: RedisBus, store: LeaseStore, settings: Settings) -> tuple[int, float]:
    """The evening's tick clock: the first aggregator sets it, all others read it (contract 4)."""
    text = await store.remember(ORIGIN, f"{await bus.now_ms()} {settings.engine.tick_hz:g}")
    t0, hz = text.split()
    if float(hz) != settings.engine.tick_hz:
        log.warning("this evening runs at %s snapshots a second, not at the settings' %g", hz, settings.engine.tick_hz)
    return int(t0), float(hz)


def _engine(settings: Settings, plan: SeatPlan, kept: Saved | None, t0_ms: int, hz: float) -> tuple[Engine, Merger]:
    """Fresh, or from a checkpoint of this same evening; one that cannot be used (another plan, another version) is said
    and left aside: a house without it is better than none."""
    fresh = Engine(plan, engine_settings(settings), t0_ms=t0_ms, tick_hz=hz), Merger(plan, tick_hz=hz)
    if kept is None:
        return fresh
    try:
        engine, merger = saved.restore(kept, plan, engine_settings(settings), epoch=0)
    except CheckpointError as error:
        log.error("%s: beginning anew, with no baseline kept: %s", settings.checkpoint.path, error)
        return fresh
    common.warn_of_versions(kept)
    return engine, merger

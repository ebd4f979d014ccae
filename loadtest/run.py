"""``ripieno loadtest``: drive a house with simulated phones and judge it. Shell.

Exit codes: 0 every objective held, 1 one broke, 2 wrong use or surroundings, 3 void (the test measured itself).
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import platform
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np

from loadtest import figures, generator, report, scenario, verdict
from loadtest.bank import Bank
from loadtest.conductor import Conductor, probe_seats
from loadtest.house import Cards, House, HouseError, OwnHouse, read_cards
from loadtest.lead import Lead
from loadtest.measures import Measures
from loadtest.progress import Progress
from loadtest.reading import SettingsProblems
from loadtest.report import CUT_SHORT, Finding
from loadtest.scenario import Scenario
from loadtest.show_engine import ShowEngine

HELP = """\
Drive a house with simulated phones and judge it: would this machine, this network hold tonight's audience? With
--self-contained a house is started on this machine for the test; otherwise name the running one by --url and --cards
(`ripieno seats --out cards.csv`), and let its Open Sound Control reach --osc-listen. Never against a house with real
listeners in it. Exit code 0: holds; 1: an objective broke; 3: void, the generator was the bottleneck.
"""
UNFINISHED = ("unacknowledged", "acknowledged_lost", "coverage", "recovery_s")
SPARE_SEATS = 8  # cards for vandals, at least


def options(p: argparse.ArgumentParser) -> None:
    """Declare the sub-command's options."""
    p.add_argument("scenario", nargs="?", default="steady", help="a built-in name or a TOML file (--list shows them)")
    p.add_argument("--list", action="store_true", help="list the built-in scenarios")
    p.add_argument("--phones", type=int, metavar="N", help="how many phones (the most, when looking for the limit)")
    p.add_argument("--seconds", type=float, metavar="S", help="how long")
    p.add_argument("--seed", type=int, metavar="N", help="another seed: other people, other moments of joining")
    p.add_argument("--self-contained", action="store_true", help="start a house on this machine for the test")
    p.add_argument("--url", metavar="ws://HOST:PORT/phone", help="the running house's door for phones")
    p.add_argument("--cards", type=Path, metavar="FILE.csv", help="its seat cards, from `ripieno seats --out`")
    p.add_argument("--osc-listen", metavar="HOST:PORT", help="where its Open Sound Control is sent to, on this machine")
    p.add_argument(
        "--page", metavar="http://HOST:PORT", help="its page, to move the parts of the evening and for metrics"
    )
    p.add_argument("--operator-token-file", type=Path, metavar="FILE", help="file with the page's operator key")
    p.add_argument("--authority", metavar="FILE.pem", help="certificate authority of a wss:// house")
    p.add_argument("--workers", type=int, default=1, metavar="W", help="generator processes here (default 1)")
    p.add_argument("--joiners", type=int, default=0, metavar="J", help="generators on other machines to wait for")
    p.add_argument("--listen", default="127.0.0.1", metavar="ADDRESS", help="where those reach this one")
    p.add_argument("--join", metavar="HOST:PORT", help="be a generator of the load test that runs there")
    p.add_argument("--key", default="", help="the key that one printed")
    p.add_argument(
        "--source", action="append", default=[], metavar="ADDRESS", help="own address to connect from; repeat"
    )
    p.add_argument(
        "--out", type=Path, default=Path("loadtest.html"), metavar="FILE.html", help="report (JSON beside it)"
    )


def main(argv: Sequence[str], ripieno: Sequence[str]) -> int:
    """Parse and run; see :func:`run`."""
    parser = argparse.ArgumentParser(prog="ripieno loadtest", description=HELP)
    options(parser)
    return run(parser.parse_args(argv), ripieno)


def run(args: argparse.Namespace, ripieno: Sequence[str]) -> int:
    """Run the command. ``ripieno``: the argument vector that starts the console command (for --self-contained)."""
    if args.list:
        for name in scenario.names():
            made = scenario.load(name)
            print(f"{name:22} {made.about}")
        return 0
    try:
        if args.join:
            host, port = _address(args.join, "--join")
            return generator.main([host, str(port), args.key])
        chosen = scenario.load(args.scenario, phones=args.phones, seconds=args.seconds, seed=args.seed)
        return asyncio.run(_run(args, chosen, tuple(ripieno)))
    except (SettingsProblems, HouseError) as error:
        for line in str(error).splitlines():
            print(f"ripieno: {line}", file=sys.stderr)
        return 2


async def _run(args: argparse.Namespace, chosen: Scenario, ripieno: Sequence[str]) -> int:
    generator.raise_file_limit()
    with tempfile.TemporaryDirectory(prefix="ripieno-loadtest-") as folder, Progress(chosen) as progress:
        house = await _house(args, chosen, ripieno, Path(folder))
        try:
            finding = await conduct(args, chosen, house, progress)
            if house.ended() and isinstance(house, OwnHouse):
                _keep_log(house, args.out, finding)
        finally:
            await house.close()
    _write(args.out, finding)
    progress.say(report.headline(finding))
    for judgement in finding.judgements:
        progress.say(f"  {'holds' if judgement.passed else 'BROKE'}  {judgement.sentence}")
    for reason in finding.void:
        progress.say(f"  void   {reason}")
    for note in finding.notes:
        progress.say(f"  note   {note}")
    if finding.headroom is not None:
        progress.say(f"  {finding.headroom.sentence}")
    progress.say(f"  report {args.out}, figures {args.out.with_suffix('.json')}")
    return int(finding.outcome)


async def conduct(args: argparse.Namespace, chosen: Scenario, house: House, progress: Progress) -> Finding:
    """One run against a house that is there; Ctrl-C gives the finding of what was measured."""
    cards = house.cards
    own = cards.first(chosen.phones)
    taken = set(own.tokens)
    spare = tuple(token for token in cards.tokens if token not in taken)
    told = Cards(own.seats, (*own.tokens, *spare), own.sections, own.section_of)
    engine = _ear(args, chosen, house, own)
    measures, lead = Measures(), Lead(chosen, progress.say)
    conductor = Conductor(
        chosen, house, told, measures, engine,
        workers=args.workers, joiners=args.joiners, listen=args.listen, authority=args.authority,
        sources=tuple(args.source), say=progress.say, each_second=progress.show,
    )  # fmt: skip
    with _interruptible():
        try:
            await conductor.run(lead)
        except asyncio.CancelledError:
            conductor.cut_short = True
    return judged(chosen, conductor, lead)


def judged(chosen: Scenario, conductor: Conductor, lead: Lead) -> Finding:
    """Figures, objectives, headroom and the verdict of a run that ended."""
    measures, heard = conductor.measures, conductor.engine.heard if conductor.engine is not None else None
    audience = Bank(chosen, keep=1).audience
    now_s = max((row.t_s for row in measures.rows), default=0.0)
    window = (lead.window[0], min(lead.window[1], now_s)) if conductor.cut_short else lead.window
    found = figures.figures(chosen, audience, measures, heard, window)
    void = measures.void_reasons()
    judgements = verdict.judge(chosen.objectives, found)
    limit = None
    if conductor.cut_short:  # what was not measured yet is no failure, and neither is what was still under way
        judgements = [j for j in judgements if j.figure is not None and j.name not in UNFINISHED]
        void = void or ([CUT_SHORT] if all(j.passed for j in judgements) else [])
    if chosen.limit.start:
        void = [*measures.problems, *([lead.given_out] if lead.given_out else [])]
        judgements = []
        limit = lead.found
        if limit is None and not void:
            void = [CUT_SHORT if conductor.cut_short else "the search did not end"]
    rows = [r for r in measures.rows if r.t_s > 1.0]
    served, share = (np.array([getattr(r, k) for r in rows], np.float64) for k in ("followed", "house_cpu"))
    return Finding(
        chosen, verdict.outcome(judgements, void), judgements, void, found, measures, audience, heard, window,
        headroom=None if chosen.limit.start else verdict.headroom(served, share), cut_short=conductor.cut_short,
        when=time.strftime("%Y-%m-%d %H:%M"), machine=_machine(), steps=lead.steps, limit=limit,
        notes=[*measures.notes, *([others] if (others := measures.others()) else [])],
    )  # fmt: skip


def _ear(args: argparse.Namespace, chosen: Scenario, house: House, own: Cards) -> ShowEngine | None:
    if house.self_contained:
        return ShowEngine(house.osc_port, probe_seats(chosen, own))
    if not args.osc_listen:
        return None
    host, port = _address(args.osc_listen, "--osc-listen")
    try:
        return ShowEngine(port, probe_seats(chosen, own), host)
    except OSError as error:
        raise HouseError(f"--osc-listen {args.osc_listen} cannot be used ({error.strerror}); choose another") from error


async def _house(args: argparse.Namespace, chosen: Scenario, ripieno: Sequence[str], folder: Path) -> House:
    if args.self_contained:
        seats = chosen.phones + max(SPARE_SEATS, chosen.vandals.total)
        return await OwnHouse.start(ripieno, folder, seats=seats, rest_s=chosen.house.rest_s)
    if not args.url or not args.cards:
        raise HouseError("name the running house with --url and --cards, or start one with --self-contained")
    token = ""
    if args.operator_token_file is not None:
        try:
            token = args.operator_token_file.read_text(encoding="utf-8").splitlines()[0].strip()
        except (OSError, IndexError) as error:
            raise HouseError(f"{args.operator_token_file} holds no operator key ({error})") from error
    url = urlsplit(args.url)
    if url.scheme not in ("ws", "wss") or not url.hostname:
        raise HouseError(f"--url: found {args.url}, allowed ws://HOST:PORT/phone or wss://…")
    metrics = [args.url.replace("ws", "http", 1).removesuffix(url.path) + "/metrics"]
    metrics += [args.page.rstrip("/") + "/metrics"] if args.page else []
    return House(
        phone_url=args.url, cards=read_cards(args.cards), page_url=args.page or "", operator_token=token,
        metrics_urls=tuple(metrics),
    )  # fmt: skip


@contextlib.contextmanager
def _interruptible() -> Iterator[None]:
    """Ctrl-C and SIGTERM cancel the run once; a second one ends the program as usual."""
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None

    def stop() -> None:
        task.cancel()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    try:
        yield
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


def _keep_log(house: OwnHouse, out: Path, finding: Finding) -> None:
    """A house that ended by itself said why."""
    kept = out.with_suffix(".house.log")
    with contextlib.suppress(OSError):
        kept.write_text(house.log_text(), encoding="utf-8")
        finding.notes.append(f"what the house said is in {kept}")


def _write(out: Path, finding: Finding) -> None:
    try:
        out.write_text(report.as_html(finding), encoding="utf-8")
        out.with_suffix(".json").write_text(report.as_json(finding), encoding="utf-8")
    except OSError as error:
        raise HouseError(f"{out} cannot be written ({error.strerror}); choose another --out") from error


def _address(text: str, option: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise HouseError(f"{option}: found {text!r}, allowed HOST:PORT")
    return host, int(port)


def _machine() -> str:
    cores = os.cpu_count()
    return f"{platform.system()} {platform.machine()}, {cores} cores, Python {platform.python_version()}"

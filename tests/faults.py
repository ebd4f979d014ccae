"""Fault campaign: ``python -m tests.faults --bus single --phones 500 --moments 20 --seed 1``. Exit code 1: broken.

Starts a scaled-out house (real Redis, two aggregators, two relays, phones over real websockets), at random moments
kills or stops a random role, starts it again as a container engine would, and judges what phones, bus and show engine
saw.
Loopback only; every process that it starts is ended by its own id.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.faults_bus import KINDS, faulty_bus
from tests.faults_campaign import KINDS as MOMENTS
from tests.faults_campaign import Campaign, Outcome, Plan, folder_of
from tests.faults_judge import judge
from tests.faults_witness import datagrams
from tests.system.helper_scaled import scaled_house


def play(kind: str, plan: Plan, root: Path, say: Callable[[str], None]) -> Outcome:
    """One campaign on one kind of bus, not judged yet."""
    with (
        faulty_bus(kind, folder_of(root, "bus")) as bus,
        datagrams() as engine,
        scaled_house(folder_of(root, "house"), bus.url, engine.port, plan.phones, accepted=bus.accepted) as house,
    ):
        return asyncio.run(Campaign(plan, bus, house, engine, say).run())


def _kinds(text: str) -> tuple[str, ...]:
    made = tuple(text.split(","))
    if unknown := set(made) - set(MOMENTS):
        raise argparse.ArgumentTypeError(f"found {', '.join(unknown)}, allowed {', '.join(MOMENTS)}")
    return made


def main() -> int:
    """Parse, play, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--bus", choices=KINDS, default="single", help="the bus (single: process, else replica)")
    parser.add_argument("--phones", type=int, default=500)
    parser.add_argument("--moments", type=int, default=20)
    parser.add_argument("--seed", type=int, default=int.from_bytes(os.urandom(3)), help="default: drawn, and printed")
    parser.add_argument("--kinds", type=_kinds, default=(), metavar="KIND,…", help="only these moments, in this order")
    parser.add_argument("--keep", type=Path, help="a folder for logs and files; default: a temporary one, removed")
    options = parser.parse_args()
    plan = Plan(phones=options.phones, moments=options.moments, seed=options.seed, kinds=options.kinds)
    print(
        f"bus {options.bus}, {plan.phones} phones, {len(plan.kinds) or plan.moments} moments, seed {plan.seed}",
        flush=True,
    )
    with tempfile.TemporaryDirectory() as made:
        outcome = play(options.bus, plan, options.keep or Path(made), lambda line: print(line, flush=True))
        print(f"{outcome.length_s:.0f} s, {len(outcome.moments)} moments, {outcome.packets} packets sent", flush=True)
        verdict = judge(outcome)
    print(verdict.table())
    print("holds" if verdict.holds else f"BROKEN: again with --bus {options.bus} --seed {plan.seed}")
    return 0 if verdict.holds else 1


if __name__ == "__main__":
    sys.exit(main())

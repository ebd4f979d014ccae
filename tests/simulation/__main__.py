"""Play many concerts: ``python -m tests.simulation --seeds 1000``. Exit code 1 when a rule was broken."""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor

from tests.simulation.concert import Concert
from tests.simulation.invariants import violations


def judge(seed: int) -> tuple[int, list[str], float]:
    """One concert: its seed, what was violated, the CPU seconds it took."""
    begun = time.process_time()
    try:
        found = violations(Concert(seed).play())
    except Exception as error:
        found = [f"the simulation itself failed: {error!r}"]
    return seed, found, time.process_time() - begun


def main() -> int:
    """Parse, play, report."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    parser.add_argument("--seeds", type=int, default=100, help="how many concerts")
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--seed", type=int, help="play this one only")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes")
    parser.add_argument("--verbose", action="store_true", help="print the schedule (with --seed)")
    options = parser.parse_args()
    if options.seed is not None:
        return _one(options.seed, verbose=options.verbose)
    return _many(range(options.first, options.first + options.seeds), options.jobs)


def _one(seed: int, *, verbose: bool) -> int:
    if verbose:
        for fault in Concert(seed).schedule:
            print(fault)
    _, found, cpu_s = judge(seed)
    print(f"seed {seed}: {'holds' if not found else 'BROKEN'} ({cpu_s:.1f} s of CPU)")
    for line in found:
        print(f"  {line}")
    return 1 if found else 0


def _many(seeds: range, jobs: int) -> int:
    failed, total_s, done = [], 0.0, 0
    with ProcessPoolExecutor(jobs) as pool:
        for seed, found, cpu_s in pool.map(judge, seeds, chunksize=1):
            done, total_s = done + 1, total_s + cpu_s
            if found:
                failed.append(seed)
                print(f"seed {seed} BROKEN", *found, sep="\n  ", flush=True)
            if done % 25 == 0:
                print(f"{done} of {len(seeds)} concerts, {len(failed)} broken", flush=True)
    print(f"{done} concerts, {len(failed)} broken, {total_s / max(done, 1):.1f} s of CPU each")
    if failed:
        print(f"replay one: python -m tests.simulation --seed {failed[0]} --verbose")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

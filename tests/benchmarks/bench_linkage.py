"""How often an evening of 20 minutes shows a linkage: of independent series, where it should not, and of linked ones,
and after how long. Run: python -m tests.benchmarks.bench_linkage [evenings] [evenings through the merger]"""

from __future__ import annotations

import sys

import numpy as np

from tests.aggregator.helper_evenings import SERIES, evening, published, tracked

MINUTES = 20


def found_s(looks: np.ndarray) -> float:
    """When the first linkage is shown, s; infinite where none is."""
    some = np.flatnonzero(looks > 0)
    return 10.0 * (float(some[0]) + 1.0) if len(some) else float("inf")


def main() -> None:
    evenings, merged = (int(a) for a in [*sys.argv[1:], *("100", "20")[len(sys.argv) - 1 :]])
    print(f"independent house and performer, {MINUTES} min: evenings that ever show a linkage")
    for name in SERIES:
        ever = sum(
            np.isfinite(found_s(tracked(house, {"a": player})))
            for house, player in (evening(seed, MINUTES, name) for seed in range(evenings))
        )
        print(f"  {name:8s} {ever:3d} of {evenings}", flush=True)
    ever = sum(np.isfinite(found_s(published(*evening(1000 + s, MINUTES), seed=s))) for s in range(merged))
    print(f"  through the merger, 'alike' {ever} of {merged}", flush=True)
    print("house follows by 3 s: first shown after (s), median and slowest of 20")
    for share in (0.3, 0.4, 0.5, 0.8):
        first = [
            found_s(tracked(house, {"a": player}))
            for house, player in (evening(2000 + seed, MINUTES, share=share) for seed in range(20))
        ]
        print(f"  share of variance {share}: {np.median(first):.0f} {max(first):.0f}", flush=True)


if __name__ == "__main__":
    main()

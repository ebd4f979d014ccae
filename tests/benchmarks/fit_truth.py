"""The constants of the load test's truth (loadtest.figures: GAIN, DELAY_S, LAG_S), fitted anew by hand.

``python -m tests.benchmarks.fit_truth [REPORT.json …] [--phones N] [--seeds S …]``

To be run after a change of arousal's formula or of the simulated listeners. Takes the JSON reports of healthy
self-contained runs, or makes them itself: three scenarios (steady, crescendo, clock chaos) for each seed, a minute and
a half each. Looks for the constants with the least mean distance between the house's arousal and what they predict,
and prints them beside those in use; it changes no file.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from loadtest.bank import Bank
from loadtest.conductor import _table
from loadtest.figures import DELAY_S, GAIN, LAG_S, Floats, expected
from loadtest.lead import SETTLED_S
from loadtest.physiology import Audience
from loadtest.reading import read
from loadtest.scenario import Scenario

SCENARIOS = ("steady", "crescendo", "clock-chaos")
SPANS = ((1.0, 10.0), (0.0, 4.0), (0.5, 15.0))  # where gain, delay and lag are looked for
POINTS = 9  # a direction and round
ROUNDS = 5  # each half as wide as the one before: in the end 1 % of the span

Constants = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Evening:
    """One run: its audience, and the house's arousal at ``t_s``, the seconds of its window of judgement."""

    title: str
    audience: Audience
    t_s: Floats
    house: Floats

    def distance(self, gain: float, delay_s: float, lag_s: float) -> float:
        """Mean distance from what the constants predict."""
        made = expected(self.audience, self.t_s, gain=gain, delay_s=delay_s, lag_s=lag_s)
        return float(np.abs(self.house - made).mean())


def evening(path: Path) -> Evening:
    """A run from its JSON report."""
    body = json.loads(path.read_text(encoding="utf-8"))
    scenario = read(Scenario, _table(body["scenario"]))
    ready_s = scenario.join.over_s + 1.0 + scenario.house.rest_s + SETTLED_S
    rows = [(row["t_s"], row["house_arousal"]) for row in body["seconds"] if row["house_arousal"] is not None]
    t_s, house = np.array(rows, np.float64).T
    judged = (t_s >= ready_s) & (t_s <= scenario.seconds)
    return Evening(scenario.title, Bank(scenario, keep=1).audience, t_s[judged], house[judged])


def run(name: str, phones: int, seed: int, folder: Path) -> Path:
    """Run one scenario against a house of its own; its JSON report."""
    out = folder / f"{name}-{seed}.html"
    command = [sys.executable, "-m", "aggregator", "loadtest", name, "--self-contained", "--phones", str(phones)]
    ended = subprocess.run([*command, "--seed", str(seed), "--out", str(out)], capture_output=True, check=False)
    print(f"{name}, seed {seed}: exit code {ended.returncode}", flush=True)
    return out.with_suffix(".json")


def fit(evenings: list[Evening]) -> Constants:
    """Gain, delay and lag with the least mean distance over all runs: a grid, drawn closer round after round."""
    best: tuple[float, Constants] = (float("inf"), (GAIN, DELAY_S, LAG_S))
    spans = list(SPANS)
    for _ in range(ROUNDS):
        axes = [np.linspace(low, high, POINTS) for low, high in spans]
        for gain, delay_s, lag_s in np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3).tolist():
            found = float(np.mean([e.distance(gain, delay_s, lag_s) for e in evenings]))
            best = min(best, (found, (gain, delay_s, lag_s)))
        spans = [(max(low, at - (high - low) / 4), min(high, at + (high - low) / 4))
                 for (low, high), at in zip(spans, best[1], strict=True)]  # fmt: skip
    return best[1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("reports", type=Path, nargs="*", metavar="REPORT.json")
    parser.add_argument("--phones", type=int, default=150)
    parser.add_argument("--seeds", type=int, nargs="*", default=[1, 2, 3])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        made = args.reports or [run(n, args.phones, s, Path(folder)) for n in SCENARIOS for s in args.seeds]
        evenings = [evening(path) for path in made]
    in_use, fitted = (GAIN, DELAY_S, LAG_S), fit(evenings)
    for what, (gain, delay_s, lag_s) in (("in use", in_use), ("fitted", fitted)):
        print(f"{what}:  GAIN = {gain:.2f}  DELAY_S = {delay_s:.2f}  LAG_S = {lag_s:.2f}")
    print("mean distance   in use   fitted   (the scenarios allow 0.05)")
    for title in dict.fromkeys(e.title for e in evenings):
        mine = [e for e in evenings if e.title == title]
        row = [float(np.mean([e.distance(*constants) for e in mine])) for constants in (in_use, fitted)]
        print(f"{title:14} {row[0]:>7.4f} {row[1]:>8.4f}")


if __name__ == "__main__":
    main()

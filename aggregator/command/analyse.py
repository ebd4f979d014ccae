"""``ripieno analyse``: the live engine over a recorded signal file, tick by tick."""

from __future__ import annotations

import argparse
import csv
import math
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.command import recording_csv
from aggregator.command.errors import UserError
from aggregator.command.recording_csv import Recording
from aggregator.command.recording_entries import LEAD_IN_US, T0_MS, Signal, entries, signals
from aggregator.dsp.baseline import RING_S
from aggregator.engine import Engine, EngineSettings
from aggregator.snapshot import SeatState
from relay.seat_plan import generated

UNPLACED_REST_S = 60.0  # without --resting the first minute serves as rest
UNPLACED_CONFIDENCE = 0.5  # … and nothing is trusted more than this
SHORTEST_REST_S = 10.0
FASTEST_HZ = 5000.0  # sample times travel in steps of 100 us
FEATURES = (
    "time_s", "pulse_rate_bpm", "pulse_quality", "skin_level_us", "skin_responses", "temperature_c", "arousal",
    "confidence", "state",
)  # fmt: skip
SILENT_PROGRESS_S = 2.0  # say something when the work takes longer than this

HELP = """\
Run the live engine over one person's recorded signals and write what it would have published.

Times in the outputs are the recording's. An empty cell means: not known. The arousal column means what the show
engine would receive: 0.5 is the person's own rest. It is no diagnosis, and does not tell pleasant from unpleasant.

  ripieno analyse pulse.csv --rate 100 --ppg red --out features.csv --events beats.csv
  ripieno analyse camera.csv --time time --time-unit ms --ppg R --invert-ppg --resting 0:60 --out features.csv
"""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to analyse: the signals, the rest in recording seconds, whether the user placed it."""

    signals: tuple[Signal, ...]
    time_s: NDArray[np.float64]
    rest: tuple[float, float]
    rest_placed: bool
    tick_hz: float


def add(sub: Any) -> None:
    """Declare the sub-command and its options."""
    p = sub.add_parser(
        "analyse", help="run the live engine over a recorded signal file", description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    p.add_argument("file", type=Path, metavar="FILE.csv", help="one line of column names, then one line a sample")
    when = p.add_mutually_exclusive_group(required=True)
    when.add_argument("--rate", type=float, metavar="HZ", help="samples a second, when they are even")
    when.add_argument("--time", metavar="COLUMN", help="column with each sample's time (may be irregular)")
    p.add_argument("--time-unit", choices=["ms", "s"], default="s", help="unit of the time column (default s)")
    p.add_argument("--ppg", metavar="COLUMN", help="optical pulse, any unit")
    p.add_argument("--invert-ppg", action="store_true", help="the pulse column falls when blood volume rises (camera)")
    p.add_argument("--eda", metavar="COLUMN", help="skin conductance in microsiemens")
    p.add_argument("--temperature", metavar="COLUMN", help="skin temperature in degrees Celsius")
    p.add_argument("--resting", metavar="START:END", help="seconds of rest (default: the first 60 s, less trusted)")
    p.add_argument("--tick-hz", type=float, default=20.0, metavar="HZ", help="rows a second, 1..44 (default 20)")
    p.add_argument("--out", type=Path, metavar="FEATURES.csv", help="features, one row a tick (default: to the screen)")
    p.add_argument("--events", type=Path, metavar="EVENTS.csv", help="beats and skin responses, one row each")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Analyse; returns the exit code."""
    plan = _plan(args)
    if not plan.rest_placed:
        print(
            f"ripieno: no --resting given: the first {plan.rest[1] - plan.rest[0]:.0f} s serve as rest and confidence "
            f"stays at or below {UNPLACED_CONFIDENCE}",
            file=sys.stderr,
        )
    with ExitStack() as stack:
        out = stack.enter_context(_writer(args.out)) if args.out else sys.stdout
        events = stack.enter_context(_writer(args.events)) if args.events else None
        beats, responses = _analyse(plan, out, events)
    told = f"{plan.time_s[-1] - plan.time_s[0]:.1f} s analysed, {beats} beats, {responses} skin responses"
    print(f"ripieno: {told}" + (f"; features in {args.out}" if args.out else ""), file=sys.stderr)
    return 0


def _plan(args: argparse.Namespace) -> Plan:
    named = {"pulse": args.ppg, "skin": args.eda, "temperature": args.temperature}
    wanted = {channel: column for channel, column in named.items() if column}
    if not wanted:
        raise UserError("nothing to analyse: name at least one column with --ppg, --eda or --temperature")
    if args.rate is not None and not 0.5 <= args.rate <= FASTEST_HZ:
        raise UserError(f"--rate: found {args.rate:g}, allowed 0.5..{FASTEST_HZ:g} samples a second")
    if not 1 <= args.tick_hz <= 44:
        raise UserError(f"--tick-hz: found {args.tick_hz:g}, allowed 1..44")
    recording = recording_csv.read(
        args.file, list(wanted.values()), rate_hz=args.rate, time_column=args.time, time_unit=args.time_unit
    )
    rest = _rest(args.resting, recording)
    channels = {channel: recording.columns[column] for channel, column in wanted.items()}
    if args.invert_ppg and "pulse" in channels:
        channels["pulse"] = -channels["pulse"]
    played = signals(channels, recording.time_s, recording.even_hz)
    return Plan(played, recording.time_s, rest, args.resting is not None, args.tick_hz)


def _rest(text: str | None, recording: Recording) -> tuple[float, float]:
    first, last = float(recording.time_s[0]), float(recording.time_s[-1])
    if text is None:
        return first, min(first + UNPLACED_REST_S, last)
    try:
        start, end = (float(part) for part in text.split(":"))
    except ValueError:
        raise UserError(f"--resting: found {text!r}, expected START:END in seconds, e.g. 0:120") from None
    if (
        not (math.isfinite(start) and math.isfinite(end))
        or end - start < SHORTEST_REST_S
        or start >= last
        or end <= first
    ):
        raise UserError(
            f"--resting: found {text!r}; it must span at least {SHORTEST_REST_S:g} s inside the recording "
            f"({first:.12g}..{last:.12g} s)"
        )
    return start, end


def _writer(path: Path) -> Any:
    try:
        return path.open("w", newline="", encoding="utf-8")
    except OSError as error:
        raise UserError(f"{path}: cannot be written ({error.strerror}); choose another place") from error


def _analyse(plan: Plan, out: Any, events: Any) -> tuple[int, int]:
    """Feed the engine and write; returns how many beats and responses there were."""
    length_s = plan.rest[1] - plan.rest[0]  # of a longer rest the last two minutes are what the baseline holds
    settings = EngineSettings(rest_s=min(max(SHORTEST_REST_S, length_s), float(RING_S)))
    engine = Engine(generated(1), settings, t0_ms=T0_MS, tick_hz=plan.tick_hz)
    rows = csv.writer(out)
    rows.writerow(FEATURES)
    event_rows = csv.writer(events) if events else None
    if event_rows:
        event_rows.writerow(("time_s", "kind", "value"))
    counts = {"beat": 0, "response": 0}
    last_k = math.ceil((plan.time_s[-1] - plan.time_s[0]) * plan.tick_hz) + 1
    first_s = float(plan.time_s[0])
    waiting = entries(plan.signals, (plan.rest[0] - first_s, plan.rest[1] - first_s))
    pending = next(waiting, None)
    progress = _Progress(last_k)
    cap = 1.0 if plan.rest_placed else UNPLACED_CONFIDENCE
    for k in range(last_k + 1):
        cut = engine.cut_ms(k)
        while pending is not None and pending.stamp.ms < cut:
            engine.ingest([pending])
            pending = next(waiting, None)
        engine.tick(k)
        row = _feature_row(engine, cap)
        if row is not None:
            rows.writerow((f"{(cut - T0_MS) / 1000 + plan.time_s[0]:.3f}", *row))
        for kind, at_us, value in _events(engine):
            counts[kind] += 1
            if event_rows:
                at_s = (at_us - LEAD_IN_US) / 1e6 + plan.time_s[0]
                event_rows.writerow((f"{at_s:.4f}", kind, "" if math.isnan(value) else f"{value:.4f}"))
        progress.at(k)
    progress.end()
    return counts["beat"], counts["response"]


def _feature_row(engine: Engine, cap: float) -> tuple[str, ...] | None:
    view = engine.features()
    if len(view.listener) == 0:
        return None
    numbers = (view.pulse_rate_bpm, view.pulse_quality, view.skin_level_us)
    known = [_cell(float(column[0])) for column in numbers]
    confidence = min(float(view.confidence[0]), cap)
    return (
        *known,
        str(int(view.skin_responses[0])),
        _cell(float(view.temperature_c[0])),
        f"{float(view.arousal[0]):.5f}",
        f"{confidence:.4f}",
        SeatState(int(view.state[0])).name.lower().replace("_", " "),
    )


def _events(engine: Engine) -> Iterator[tuple[str, float, float]]:
    made = engine.drain_events()
    for i in range(len(made.listener)):
        kind = str(made.kind[i])
        if kind in ("beat", "response"):
            yield kind, float(made.phone_time_us[i]), float(made.value[i])


def _cell(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.4f}"


class _Progress:
    """A line on stderr for work over two seconds; quiet otherwise."""

    def __init__(self, total: int) -> None:
        self.total, self.begun, self.shown = max(total, 1), time.monotonic(), -1

    def at(self, k: int) -> None:
        percent = 100 * k // self.total
        if percent >= self.shown + 5 and time.monotonic() - self.begun > SILENT_PROGRESS_S:
            self.shown = percent
            end = "\r" if sys.stderr.isatty() else "\n"
            print(f"ripieno: analysing, {percent} %", end=end, file=sys.stderr, flush=True)

    def end(self) -> None:
        if self.shown >= 0 and sys.stderr.isatty():
            print(" " * 40, end="\r", file=sys.stderr)

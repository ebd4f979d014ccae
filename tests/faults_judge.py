"""What must hold after a fault campaign: each rule against the recorded entries, replayed by a fresh engine.

Source of the rules: the project's contracts 2, 4, 6, 7 and 11 and the issue's limits; the live house's own word is not
asked, only what phones saw, what the bus held and what the show engine received.
"""

from __future__ import annotations

import itertools
import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.command import files
from aggregator.command.aggregation import engine_settings
from aggregator.engine import Engine
from aggregator.intake import Taken
from aggregator.merger import Merger
from aggregator.snapshot import Snapshot
from relay.entries import decode_packets, is_packets
from tests.faults_campaign import Moment, Outcome
from tests.faults_witness import Sent

SLEW_PER_S = 0.5  # contract 11
STAMP_MS, FLOAT32 = 1.0, 1e-7  # cuts are whole milliseconds; values travel as float32
TOO_OLD_MS, CLOCK_MS = 10_000, 100.0  # contract 5; how well the engine and this judge know a phone's clock
WARM_S, COLD_S = 2.0, 6.0  # issue: publication resumes within these
OUTAGE_S = 1.0  # a bus that takes no write for longer is away, not slow
AFTER_TICKS = 80  # a listener consumes at most 2 s of samples a tick: a backlog's end is reached in these


@dataclass
class Replayed:
    """A fresh engine and merger over the recorded entries: published values by cut, and what the engine used."""

    engine: Engine
    snapshots: dict[int, Snapshot]
    samples: int = 0
    used_twice: int = 0


@dataclass
class Verdict:
    """Figures for the table, and what was violated."""

    rows: list[tuple[str, str, str, bool]] = field(default_factory=list)
    details: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        return all(ok for *_, ok in self.rows)

    def add(self, what: str, found: str, allowed: str, ok: bool) -> None:
        self.rows.append((what, found, allowed, ok))

    def table(self) -> str:
        """A line a rule."""
        lines = [f"{'':4s}  {'what':58s} {'found':>24s}  allowed"]
        lines += [f"{'ok' if ok else 'FAIL':4s}  {w:58s} {f:>24s}  {a}" for w, f, a, ok in self.rows]
        return "\n".join(lines + [f"      {line}" for line in self.details])


def replay(outcome: Outcome, wanted: set[int]) -> Replayed:
    """Every tick from the first on; keeps the snapshots whose cut is ``wanted``."""
    plan = files.seat_plan(outcome.settings)
    how = engine_settings(outcome.settings)
    engine = Engine(plan, how, t0_ms=outcome.t0_ms, tick_hz=outcome.tick_hz)
    merger = Merger(plan, tick_hz=outcome.tick_hz)
    made = Replayed(engine, {})
    _watch_samples(made)
    for entries in outcome.recorder.streams:
        engine.ingest(entries)
    last_ms = max(entries[-1].stamp.ms for entries in outcome.recorder.streams if entries)
    ticks = math.ceil((last_ms - outcome.t0_ms) * outcome.tick_hz / 1000) + AFTER_TICKS
    for k in range(ticks):
        snapshot = merger.publish([engine.tick(k)])
        if snapshot.cut_ms in wanted:
            made.snapshots[snapshot.cut_ms] = snapshot
    return made


def _watch_samples(made: Replayed) -> None:
    """Count the samples that reach the kernels, and those whose time is not after the row's last."""
    process = made.engine.chains.process
    last: dict[int, NDArray[np.int64]] = {}

    def watched(taken: Taken) -> Any:
        for kind, s in taken.samples.items():
            newest = last.setdefault(kind, np.full(1 << 16, np.iinfo(np.int64).min))
            row = np.repeat(s.rows, s.count)
            inner = np.flatnonzero(row[1:] == row[:-1])
            made.used_twice += int(np.count_nonzero(s.time_us[inner + 1] <= s.time_us[inner]))
            made.used_twice += int(np.count_nonzero(s.time_us[s.first] <= newest[s.rows]))
            newest[s.rows] = s.time_us[s.first + s.count - 1]
            made.samples += len(s.time_us)
        return process(taken)

    setattr(made.engine.chains, "process", watched)  # noqa: B010  (a method, watched from outside)


def judge(outcome: Outcome) -> Verdict:
    """All rules."""
    sent = outcome.engine.decoded()
    published = [s for s in sent if not s.heartbeat]
    inside = [s for s in published if s.cut_ms <= outcome.recorder.complete_ms]
    replayed = replay(outcome, {s.cut_ms for s in inside})
    verdict = Verdict()
    _packets(verdict, outcome, replayed)
    _bits(verdict, inside, replayed)
    _takeovers(verdict, outcome.moments, published)
    _cold(verdict, outcome, published)
    _slew(verdict, published)
    deaths = outcome.deaths
    verdict.add("roles that ended by themselves", str(len(deaths)), "0", not deaths)
    verdict.add("phones connected at the end", str(outcome.connected), f"{outcome.plan.phones}",
                outcome.connected == outcome.plan.phones)  # fmt: skip
    verdict.details += deaths
    return verdict


# --- packets ------------------------------------------------------------------------------------------------------


def _numbers(outcome: Outcome) -> tuple[dict[int, set[int]], int]:
    """Packet numbers on the bus by phone stream, and how many records there were, repeated ones too."""
    found: dict[int, set[int]] = {stream: set() for stream in outcome.deliveries}
    records = 0
    for entry in itertools.chain.from_iterable(outcome.recorder.streams):
        if is_packets(entry.payload):
            batch = decode_packets(entry.payload)
            records += len(batch.records)
            for stream, start in zip(batch.records["stream"].tolist(), batch.starts.tolist(), strict=True):
                found[stream].add(int.from_bytes(batch.payload[start + 4 : start + 8], "little"))
    return found, records


def _too_old(outcome: Outcome) -> tuple[int, int]:
    """How many packets were over 10 s old when the bus first took them, certainly and at most (contract 5: recorded,
    not used). A phone's clock against the bus's: by its quickest packet of the whole campaign."""
    first: dict[tuple[int, int], tuple[int, float]] = {}
    quickest: dict[int, float] = {}
    for entry in itertools.chain.from_iterable(outcome.recorder.streams):
        if not is_packets(entry.payload):
            continue
        batch = decode_packets(entry.payload)
        for record, start in zip(batch.records, batch.starts.tolist(), strict=True):
            sequence, time_us = struct.unpack_from("<IQ", batch.payload, start + 4)
            stream, ahead_ms = int(record["stream"]), entry.stamp.ms - time_us / 1000
            first.setdefault((stream, sequence), (stream, ahead_ms))
            quickest[stream] = min(quickest.get(stream, math.inf), ahead_ms - int(record["age_ms"]))
    age = np.array([ahead_ms - quickest[stream] for stream, ahead_ms in first.values()])
    return int(np.count_nonzero(age > TOO_OLD_MS + CLOCK_MS)), int(np.count_nonzero(age > TOO_OLD_MS - CLOCK_MS))


def _packets(verdict: Verdict, outcome: Outcome, replayed: Replayed) -> None:
    found, records = _numbers(outcome)
    acknowledged = lost = behind = 0
    table, head = replayed.engine.listeners.table, replayed.engine.intake.state.head
    rows = {int(stream): row for row, stream in enumerate(table.stream.tolist()) if table.used[row]}
    for stream, delivery in outcome.deliveries.items():
        numbers = set(itertools.chain.from_iterable(delivery.acknowledged))
        missing = numbers - found[stream]
        acknowledged, lost = acknowledged + len(numbers), lost + len(missing)
        reached = int(head[rows[stream]]) if stream in rows else 0
        behind += sum(n >= reached for n in numbers)
        if missing:
            verdict.details.append(f"lost of stream {stream}: {sorted(missing)[:8]} …")
    distinct, counters = sum(map(len, found.values())), replayed.engine.all_counters()
    verdict.add("packets acknowledged to phones", str(acknowledged), "> 0", acknowledged > 0)
    verdict.add("of these, not on the bus", str(lost), "0", lost == 0)
    verdict.add("of these, not reached by the engine's heads", str(behind), "0", behind == 0)
    once = counters["packets"] - counters["duplicates"]
    verdict.add("packets on the bus, repeated ones counted once", str(distinct), "", True)
    verdict.add("taken once by the engine (repeated: dropped)", f"{once} ({counters['duplicates']})", f"{distinct}",
                once == distinct and counters["packets"] == records)  # fmt: skip
    verdict.add("samples used / used twice", f"{replayed.samples} / {replayed.used_twice}", "> 0 / 0",
                replayed.samples > 0 and replayed.used_twice == 0)  # fmt: skip
    dropped = {name: counters[name] for name in (
        "strangers", "without_consent", "old_stream", "entry_malformed", "packet_malformed", "late", "backlog_dropped",
        "clock_jumps", "entries_stale", "entries_refused",
    ) if counters[name]}  # fmt: skip
    verdict.add("acknowledged packets that the engine did not use", str(dropped or 0), "none", not dropped)
    old, (least, most) = counters["too_old"], _too_old(outcome)
    verdict.add("but for those that were over 10 s old on the bus", str(old), f"{least}..{most}", least <= old <= most)
    gaps, skipped = counters["gap_packets"], sum(d.skipped for d in outcome.deliveries.values())
    verdict.add("gaps stepped over / numbers phones skipped", f"{gaps} / {skipped}", "gaps 0", gaps == 0)
    rewinds = sum(d.rewinds for d in outcome.deliveries.values())
    cuts = f"{rewinds} / {outcome.cuts}"
    verdict.add("rewinds after a change of bus / connections cut", cuts, "", True)


# --- bits ---------------------------------------------------------------------------------------------------------


def _expected(snapshot: Snapshot, address: str, first: int, count: int) -> list[float | int]:
    """What a message must carry, as float32 and integers."""
    if address.startswith("/seats/"):
        column = getattr(snapshot, address.removeprefix("/seats/"))
        made: list[float | int] = [first, *column[first - 1 : first - 1 + count - 1].tolist()]
        return made
    h = snapshot.house
    if address == "/part":
        return [snapshot.part]  # type: ignore[list-item]
    if address.startswith("/section/"):
        h = dict(snapshot.sections)[address.split("/")[2]]
    values: dict[str, tuple[float, ...]] = {
        "arousal": (h.arousal, h.confidence, h.counted),
        "spread": (h.p10, h.p50, h.p90),
        "slope": (h.slope,),
        "synchrony": (h.synchrony, h.synchrony_confidence),
    }
    chosen = values[address.rsplit("/", 1)[1]]
    return [float(np.float32(v)) if isinstance(v, float) else v for v in chosen]


def _differences(sent: Sent, snapshot: Snapshot) -> Iterator[tuple[str, int]]:
    """Addresses and how many of their values differ by any bit."""
    for address, values in sent.values:
        first = values[0] if address.startswith("/seats/") else 0
        wanted = _expected(snapshot, address, int(first), len(values))
        yield address, sum(a != b for a, b in zip(values, wanted, strict=True))


def _bits(verdict: Verdict, published: list[Sent], replayed: Replayed) -> None:
    compared = differing = unknown = 0
    house: set[float] = set()
    for sent in published:
        snapshot = replayed.snapshots.get(sent.cut_ms)
        if snapshot is None:
            unknown += 1
            continue
        house.add(snapshot.house.arousal)
        for address, wrong in _differences(sent, snapshot):
            values = dict(sent.values)[address]
            compared, differing = compared + len(values), differing + wrong
            if wrong and len(verdict.details) < 12:
                verdict.details.append(f"epoch {sent.epoch}, cut {sent.cut_ms}, {address}: {wrong} of {len(values)}")
    snapshots = len({s.cut_ms for s in published})
    verdict.add("snapshots received / of a tick that a replay lacks", f"{snapshots} / {unknown}", "0", unknown == 0)
    verdict.add("values compared with the replay / different", f"{compared} / {differing}", "> 0 / 0",
                compared > 0 and differing == 0)  # fmt: skip
    verdict.add("distinct house values (so that equality means something)", str(len(house)), "> 100", len(house) > 100)


# --- take-overs and slew ------------------------------------------------------------------------------------------


def gap_s(moment: Moment, published: list[Sent]) -> float:
    """From the last snapshot before a moment to the first of a newer epoch after it; inf: none came."""
    before = [s for s in published if s.at_s <= moment.at_s]
    epoch, last_s = max(s.epoch for s in before), before[-1].at_s
    # what was under way when the signal came still belongs to the old lead
    old = [s.at_s for s in published if s.epoch == epoch and moment.at_s < s.at_s < moment.at_s + 0.1]
    new = next((s.at_s for s in published if s.at_s > moment.at_s and s.epoch > epoch), math.inf)
    return new - max([last_s, *old])


def _takeovers(verdict: Verdict, moments: list[Moment], published: list[Sent]) -> None:
    rules = (
        ("lead-kill", True, "gap after kill -9 of the lead, warm", WARM_S),
        ("lead-stop", True, "gap after SIGSTOP of the lead, warm", WARM_S),
        ("lead-kill", False, "gap after kill -9 of the lead, spare just back", COLD_S),
        ("lead-stop", False, "gap after SIGSTOP of the lead, spare just back", COLD_S),
    )
    for kind, warm, what, limit in rules:
        gaps = [gap_s(m, published) for m in moments if m.kind == kind and m.warm is warm]
        if gaps:
            found = f"{len(gaps)}: " + ", ".join(f"{g:.2f}" for g in gaps)
            verdict.add(what, found + " s", f"<= {limit:g} s", max(gaps) <= limit)
    bus = [silence_s(m, published) for m in moments if m.kind.startswith("bus")]
    verdict.add("longest silence around a fault of the bus", f"{max(bus, default=0.0):.2f} s", "", True)
    late = late_sends(published)
    most = max(late.values(), default=0)
    verdict.add("snapshots of an epoch after a newer one's, most", f"{most} (of {len(late)} epochs)", "<= 1", most <= 1)


def _cold(verdict: Verdict, outcome: Outcome, published: list[Sent]) -> None:
    """Counted from the kill, or from the bus taking writes again where it took none for a second and longer and began
    to after the kill: without a bus nobody can lead. The whole silence stands beside it."""
    moments = [m for m in outcome.moments if m.kind == "cold"]
    if moments:
        took = [cold_s(m, outcome.refusals, published) for m in moments]
        found = f"{len(took)}: " + ", ".join(f"{one:.2f}" for one in took)
        what = "both killed and one started: until it publishes"
        verdict.add(what, found + " s", f"<= {COLD_S:g} s", max(took) <= COLD_S)
        silent = ", ".join(f"{gap_s(m, published):.2f}" for m in moments)
        verdict.add("the whole silence, a fault of the bus before it included", silent + " s", "", True)
    longest = max((end - begin for begin, end in outcome.refusals), default=0.0)
    verdict.add("longest time in which the bus took no write", f"{longest:.2f} s", "", True)


def cold_s(moment: Moment, refusals: list[tuple[float, float]], published: list[Sent]) -> float:
    """From the kill (or the bus's return) to the first snapshot of a newer epoch; inf: none came."""
    epoch = max(s.epoch for s in published if s.at_s <= moment.at_s)
    new_s = next((s.at_s for s in published if s.at_s > moment.at_s and s.epoch > epoch), math.inf)
    back = [end for begin, end in refusals if end - begin >= OUTAGE_S and moment.at_s < end <= new_s]
    return new_s - max([moment.at_s, *back])


def silence_s(moment: Moment, published: list[Sent]) -> float:
    """The longest wait between two snapshots around a fault; inf: none came after the house was whole again."""
    whole_s = moment.at_s + moment.whole_s
    times = [s.at_s for s in published if s.at_s >= moment.at_s - 0.5]
    if not times or times[-1] <= whole_s:
        return math.inf
    return max((b - a for a, b in itertools.pairwise(times) if a <= whole_s + 1.0), default=math.inf)


def late_sends(published: list[Sent]) -> dict[int, int]:
    """By epoch: how many snapshots came after one of a newer epoch had come."""
    newest, late = 0, dict[int, set[int]]()
    for sent in published:
        late.setdefault(sent.epoch, set())
        if sent.epoch < newest:
            late[sent.epoch].add(sent.sequence)
        newest = max(newest, sent.epoch)
    return {epoch: len(sequences) for epoch, sequences in late.items()}


def _slew(verdict: Verdict, published: list[Sent]) -> None:
    """By the snapshots' own stamps, in order of arrival: take-overs and gaps included."""
    series = [(s.cut_ms, float(v[0])) for s in published for name, v in s.values if name == "/house/arousal"]
    fastest = 0.0
    for (t0, v0), (t1, v1) in itertools.pairwise(series):
        fastest = max(fastest, (abs(v1 - v0) - 2 * FLOAT32) / ((abs(t1 - t0) + STAMP_MS) / 1000))
    verdict.add("fastest move of the house", f"{fastest:.3f} a second", f"<= {SLEW_PER_S}", fastest <= SLEW_PER_S)

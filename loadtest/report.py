"""The report of a run: one HTML file with its pictures inside, and the same figures as JSON. Pure.

Written for a production manager: the verdict first, then each objective with its figure, then the pictures.
"""

from __future__ import annotations

import dataclasses
import html
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loadtest.figures import expected
from loadtest.heard import Heard
from loadtest.histogram import Histogram
from loadtest.limit import Found
from loadtest.measures import Measures
from loadtest.physiology import Audience
from loadtest.pictures import Line, Shade, picture, trials
from loadtest.scenario import Scenario
from loadtest.verdict import SAYS, Headroom, Judgement, Outcome, round_to, shown

CUT_SHORT = "the run was cut short before there was a verdict"
TOO_MUCH = {  # of an objective of a step: what happens above the limit
    "phones served": "phones were no longer served",
    "ack_p99_ms": "acknowledgements came too late",
    "latency_p99_ms": "packets reached the show engine too late",
}
PERCENTS = (50.0, 75.0, 90.0, 95.0, 99.0, 99.9, 100.0)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of *find the limit*: ``phones``, whether every objective held, and the first that did not.

    ``first``: what broke in a first measurement that was repeated, or nothing.
    """

    phones: int
    held: bool
    broke: str = ""
    first: str = ""


@dataclass(slots=True)
class Finding:
    """Everything a report says. ``limit``: what the search found, or None."""

    scenario: Scenario
    outcome: Outcome
    judgements: Sequence[Judgement]
    void: Sequence[str]
    figures: Mapping[str, float | None]
    measures: Measures
    audience: Audience
    heard: Heard | None
    window: tuple[float, float]
    headroom: Headroom | None = None
    cut_short: bool = False
    when: str = ""
    machine: str = ""
    steps: Sequence[Step] = ()
    limit: Found | None = None
    notes: list[str] = field(default_factory=list)


def headline(finding: Finding) -> str:
    """The verdict in one sentence."""
    failed = [j for j in finding.judgements if not j.passed]
    short = " The run was cut short; this is what was measured until then." if finding.cut_short else ""
    if finding.outcome is Outcome.VOID and finding.void[0] == CUT_SHORT:
        return "Void: the run was cut short before there was a verdict; this is what was measured until then."
    if finding.outcome is Outcome.VOID:
        return f"Void: the test measured itself, not the house. {_first_up(finding.void[0])}.{short}"
    if finding.limit is not None:
        return _limit_sentence(finding.limit, finding.steps) + short
    if failed:
        return f"Does not hold: {len(failed)} of {len(finding.judgements)} objectives broke.{short}"
    count = len(finding.judgements)
    return f"Holds: all {count} objectives were met at {finding.scenario.phones:,} phones.{short}"


def _limit_sentence(found: Found, steps: Sequence[Step]) -> str:
    """The limit with what is not known of it, and the objective that broke most often."""
    if found.beyond:
        return f"Holds all {found.best:,} phones that were tried; the limit lies above."
    broke = [s.broke for s in steps if not s.held]
    most = max(sorted(set(broke)), key=broke.count, default="")
    low, best, high = (round_to(n, 2) for n in (found.low, found.best, found.high))
    above = f": above it {TOO_MUCH.get(most, most)}" if most else ""
    return f"The limit is about {best:,} phones, between {low:,} and {high:,} (90 %){above}."


def as_json(finding: Finding) -> str:
    """The figures, for machines: stable keys, NaN and infinity as null and text."""
    m = finding.measures
    body = {
        "report": "ripieno loadtest",
        "version": 1,
        "when": finding.when,
        "machine": finding.machine,
        "verdict": finding.outcome.name.lower(),
        "exit_code": int(finding.outcome),
        "cut_short": finding.cut_short,
        "headline": headline(finding),
        "void": list(finding.void),
        "objectives": [dataclasses.asdict(j) for j in finding.judgements],
        "figures": dict(finding.figures),
        "headroom": dataclasses.asdict(finding.headroom) if finding.headroom else None,
        "limit": dataclasses.asdict(finding.limit) if finding.limit else None,
        "steps": [dataclasses.asdict(s) for s in finding.steps],
        "generator": {
            "cpu_us_a_packet": m.own_us_a_packet(),
            "late_p99_ms": m.late.percentile(99) * 1e3,
            "memory_bytes_a_phone": m.memory_a_phone_bytes(),
        },
        "house_cpu_us_a_packet": house_us_a_packet(m),
        "counts": {n: m.total(n) for n in ("packets", "acknowledged", "resent", "skipped", "connects", "cuts")},
        "errors": m.errors(),
        "vandals": m.vandals(),
        "percentiles": {
            name: {f"p{p:g}": h.percentile(p) for p in PERCENTS} for name, h in _histograms(finding).items()
        },
        "scenario": dataclasses.asdict(finding.scenario),
        "seconds": [{k: getattr(row, k) for k in row.__slots__} for row in m.rows],
        "notes": finding.notes,
    }
    return json.dumps(_plain(body), indent=1) + "\n"


def as_html(finding: Finding) -> str:
    """The report; opens anywhere, loads nothing."""
    say = html.escape
    colour = {Outcome.GREEN: "good", Outcome.RED: "bad", Outcome.VOID: "void"}[finding.outcome]
    pieces = [
        f'<header class="{colour}"><p>{say(finding.scenario.title)}</p><h1>{say(headline(finding))}</h1>'
        f"<p>{say(finding.when)} · {say(finding.machine)}</p></header>",
        f"<p>{say(finding.scenario.about)}</p>" if finding.scenario.about else "",
        "".join(f'<p class="note">{say(_first_up(reason))}.</p>' for reason in finding.void),
        f"<p>{say(_first_up(finding.headroom.sentence))}.</p>" if finding.headroom else "",
        _steps(finding) if finding.scenario.limit.start else _objectives(finding),
        "<h2>Pictures</h2>",
        *_pictures(finding),
        _table("Percentiles", ("", *(f"{p:g} %" for p in PERCENTS)), _percentile_rows(finding)),
        _table("Counts", ("what", "number"), _count_rows(finding)),
        "".join(f'<p class="note">{say(note)}</p>' for note in finding.notes),
        "<p class='small'>Open-loop test: packets are due at fixed times whatever the house answers, and every delay "
        "is counted from the time a packet was due. Arousal is not emotion; simulated listeners are a test signal. "
        "ripieno is not a medical device.</p>",
    ]
    title = f"Load test: {finding.scenario.title}"
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width"><title>{say(title)}</title><style>{STYLE}</style>'
        f"<main>{''.join(pieces)}</main></html>\n"
    )


def house_us_a_packet(measures: Measures) -> float:
    """CPU microseconds of the house's processes a packet, all of its work included; NaN for a house elsewhere."""
    used = sum(r.house_cpu for r in measures.rows if math.isfinite(r.house_cpu))
    sent = measures.total("packets")
    return used * 1e6 / sent if used and sent else float("nan")


def _histograms(finding: Finding) -> dict[str, Histogram]:
    m = finding.measures
    made = {"joins_s": m.joins, "acknowledgements_s": m.acks, "generator_late_s": m.late}
    if finding.heard is not None:
        made["packet_to_show_engine_s"] = finding.heard.latency
    return made


def _objectives(finding: Finding) -> str:
    if not finding.judgements:
        return "<p>This scenario sets no objective.</p>"
    rows = [(("holds" if j.passed else "broke"), j.sentence[:1].upper() + j.sentence[1:]) for j in finding.judgements]
    body = "".join(f'<tr class="{w}"><td>{"✓" if w == "holds" else "✗"} {w}</td><td>{html.escape(s)}</td></tr>'
                   for w, s in rows)  # fmt: skip
    return f"<h2>Objectives</h2><table>{body}</table>"


def _steps(finding: Finding) -> str:
    """What to plan for, what each step had to keep, and the steps."""
    found, steps = finding.limit, finding.steps
    made = []
    if found is not None:
        made.append(f"<p class='plan'>Plan for at most {round_to(found.low, 2):,} phones on this machine.</p>")
    kept = [f"{SAYS[f.name]} {shown(f.name, value)}" for f in dataclasses.fields(finding.scenario.objectives)
            if (value := getattr(finding.scenario.objectives, f.name)) is not None]  # fmt: skip
    made.append("<p>In every step nearly all phones had to be served, and: " + html.escape("; ".join(kept)) + ".</p>")
    if steps:
        band = (None, None) if found is None or found.beyond else (found.low, found.high)
        made.append(
            trials("The search: phones of each step", [s.phones for s in steps], [s.held for s in steps], *band)
        )
        head = ("step", "phones", "", "what happened", "measured")
        made.append(_table("Steps of the search", head, [_step_row(n, s) for n, s in enumerate(steps, 1)]))
    return "".join(made)


def _step_row(number: int, step: Step) -> tuple[str, ...]:
    verdict = "✓ held" if step.held else "✗ broke"
    if number == 1:
        return "1", f"{step.phones:,}", "warm-up", "the house has just begun: does not count", ""
    return str(number), f"{step.phones:,}", verdict, TOO_MUCH.get(step.broke, step.broke), "twice" if step.first else ""


def _pictures(finding: Finding) -> list[str]:
    rows = list(finding.measures.rows)
    if not rows:
        return ["<p>Nothing was measured yet.</p>"]
    t = np.array([r.t_s for r in rows])
    shades = _shades(finding)
    goal = finding.scenario.objectives

    def line(name: str, key: str, factor: float = 1.0) -> Line:
        return Line(name, t, np.array([getattr(r, key) for r in rows], np.float64) * factor)

    made = [
        picture("Packet to show engine", "ms", [line("half are faster", "latency_p50_ms"),
                line("99 of 100 are faster", "latency_p99_ms")], shades=shades, limit=goal.latency_p99_ms),
        picture("Acknowledgement (gathered for up to a second)", "ms", [line("half are faster", "ack_p50_ms"),
                line("99 of 100 are faster", "ack_p99_ms")], shades=shades, limit=goal.ack_p99_ms),
        picture("Phones", "", [line("should be there", "wanted"), line("connected", "streaming"),
                line("served", "followed")], shades=shades),
        picture("Joins", "a second", [line("joined", "joins")], shades=shades),
        picture("Processor", "% of a core", [line("house", "house_cpu", 100), line("generators", "own_cpu", 100),
                line("other programs on this machine", "other_cpu", 100)],
                shades=shades),
    ]  # fmt: skip
    if not finding.scenario.limit.start:  # a search stays at rest
        made.append(_truth(finding, shades))
    made.append(_curves(finding))
    return made


def _truth(finding: Finding, shades: Sequence[Shade]) -> str:
    heard = finding.heard
    if heard is None or not heard.house:
        return ""
    rows = np.array([(at - finding.measures.start_s, value) for at, value, _, _ in heard.house])
    inside = rows[rows[:, 0] >= 0]
    if not len(inside):
        return ""
    truth = expected(finding.audience, inside[:, 0])
    lines = [Line("published", inside[:, 0], inside[:, 1]), Line("expected from the truth", inside[:, 0], truth)]
    return picture("The house's arousal (0.5 is rest)", "", lines, shades=shades, low=0.4, high=0.8)


def _curves(finding: Finding) -> str:
    """Percentiles as curves: how far from the typical the slow ones are."""
    percents = np.concatenate((np.arange(1, 99), np.arange(99, 100.01, 0.1)))
    lines = [
        Line(name.removesuffix("_s").replace("_", " "), percents, np.array([h.percentile(p) for p in percents]) * 1e3)
        for name, h in _histograms(finding).items()
        if h.count
    ]
    return picture("Percentiles", "ms", lines, logarithmic=True, x_unit="% are faster")


def _shades(finding: Finding) -> list[Shade]:
    s = finding.scenario
    made = [Shade(d.at_s, d.at_s + d.over_s + (0 if d.kind == "die" else d.away_s[1]), d.kind) for d in s.disruption]
    made += [Shade(h.start_s, h.stop_s, h.kind) for h in s.happening]
    made += [Shade(m.onset_s, m.onset_s + m.rise_s + m.hold_s + m.fall_s, "moment") for m in s.moment]
    if s.house.restart_relay_at_s:
        made.append(Shade(s.house.restart_relay_at_s, s.house.restart_relay_at_s + 1.0, "restart"))
    return made


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    say = html.escape
    top = "".join(f"<th>{say(h)}</th>" for h in head)
    body = "".join("<tr>" + "".join(f"<td>{say(str(c))}</td>" for c in row) + "</tr>" for row in rows)
    return f"<h2>{say(title)}</h2><div class='wide'><table><tr>{top}</tr>{body}</table></div>"


def _percentile_rows(finding: Finding) -> list[tuple[str, ...]]:
    return [
        (name.removesuffix("_s").replace("_", " "), *(_time(h.percentile(p)) for p in PERCENTS))
        for name, h in _histograms(finding).items()
    ]


def _count_rows(finding: Finding) -> list[tuple[str, str]]:
    m = finding.measures
    rows = [(n.replace("_", " "), f"{m.total(n):,}") for n in
            ("connects", "connect_failures", "cuts", "packets", "acknowledged", "resent", "skipped")]  # fmt: skip
    rows += [(f"answer or cause: {name}", f"{count:,}") for name, count in sorted(m.errors().items())]
    rows += [(f"vandals: {name.replace('_', ' ')}", f"{count:,}") for name, count in m.vandals().items()]
    rows += [("generator CPU a packet", f"{m.own_us_a_packet():.1f} µs"),
             ("house CPU a packet, all its work", f"{house_us_a_packet(m):.1f} µs"),
             ("generator memory a phone", f"{m.memory_a_phone_bytes() / 1e3:.1f} kB"),
    ]  # fmt: skip
    return rows


def _first_up(text: str) -> str:
    """A sentence's first letter; the others stay (CPU, TLS)."""
    return text[:1].upper() + text[1:]


def _time(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "–"
    return f"{seconds * 1e3:.1f} ms" if seconds < 1 else f"{seconds:.2f} s"


def _plain(value: Any) -> Any:
    """JSON has no NaN and no infinity."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, (np.floating, np.integer, np.bool_)):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "never"
    return value


STYLE = """
:root{color-scheme:light dark;--ink:#1c1f24;--paper:#fbfaf7;--quiet:#666d78;--rule:#d9d6cf}
@media(prefers-color-scheme:dark){:root{--ink:#e8e6e1;--paper:#15171b;--quiet:#9aa1ac;--rule:#353941}}
body{background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif;margin:0}
main{max-width:780px;margin:0 auto;padding:24px 16px 60px}
header{border-left:10px solid;padding:4px 0 4px 16px;margin-bottom:20px}
header p{margin:0;color:var(--quiet)}h1{font-size:1.45rem;line-height:1.25;margin:.2em 0}
h2{font-size:1.1rem;margin:2em 0 .5em}
.good{border-color:#2f7d4f}.bad{border-color:#b3261e}.void{border-color:#8a8f98}
table{border-collapse:collapse;width:100%;font-size:.92rem}td,th{text-align:left;padding:5px 12px 5px 0;
border-bottom:1px solid var(--rule);vertical-align:top;font-variant-numeric:tabular-nums}
td:first-child{white-space:nowrap}.broke td:first-child{color:#c2371f;font-weight:700}.wide{overflow-x:auto}
.wide td:nth-child(-n+3){white-space:nowrap}.plan{font-weight:600}
figure{margin:22px 0}figcaption{font-weight:600;margin-bottom:4px}svg{width:100%;height:auto;display:block}
.legend svg{width:26px;display:inline-block}.legend span{margin-right:18px;font-size:.85rem;white-space:nowrap}
svg text{font-size:10.5px;fill:var(--quiet)}.grid{stroke:var(--rule);stroke-width:1}
line.limit{stroke:#c2371f;stroke-dasharray:2 4}text.limit{fill:#c2371f}.shade{fill:#8a8f98;opacity:.16}
.note{color:var(--quiet);border-left:3px solid var(--rule);padding-left:10px}.small{font-size:.82rem;color:var(--quiet)}
"""

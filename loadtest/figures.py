"""The figures that objectives are about, from what a run measured. Pure.

**House against truth.** The simulated listeners' truth is what they feel, f(t): 0 at rest, 1 a strong moment. The house
publishes arousal, 0.5 at rest. What a healthy house makes of f is taken to be::

    expected(t) = 0.5 + (1/2) tanh(K * slow(f)(t - D) / 4)

with one gain K, delay D and time constant for all scenarios (:data:`GAIN`, :data:`DELAY_S`, :data:`LAG_S`), fitted on
healthy runs of three scenarios (steady, crescendo, clock chaos, 150 to 200 phones, three seeds), of which they leave a
mean distance of 0.014. They describe this simulation and this engine's formula, not people; who changes the formula
fits them anew: ``python -m tests.benchmarks.fit_truth`` prints them, and what the present ones leave.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from loadtest.heard import Heard
from loadtest.measures import Measures
from loadtest.physiology import Audience
from loadtest.scenario import Scenario
from loadtest.schedule import disturbed_until_s

Floats = NDArray[np.float64]

GAIN = 4.4  # robust deviations that a felt 1 makes
DELAY_S = 0.0
LAG_S = 6.0  # skin conductance rises over seconds, and the fused value is eased
STEP_S = 0.25
STEP_OVER_S = 0.2  # a change a second is taken over 0.2 s: four snapshots, so that rounding is no jump
ENGINE_PACKETS = 'ripieno_engine_events_total{kind="packets"}'
ENGINE_DUPLICATES = 'ripieno_engine_events_total{kind="duplicates"}'
ENGINE_GAP_PACKETS = 'ripieno_engine_events_total{kind="gap_packets"}'


def expected(
    audience: Audience, t_s: Floats, *, gain: float = GAIN, delay_s: float = DELAY_S, lag_s: float = LAG_S
) -> Floats:
    """What a healthy house publishes at times (k,)."""
    grid = np.arange(0.0, max(float(t_s.max()), STEP_S) + STEP_S, STEP_S)
    felt = np.maximum(audience.truth_house(np.maximum(grid - delay_s, 0.0)), 0.0)
    keep = float(np.exp(-STEP_S / max(lag_s, 1e-9)))
    slow = np.empty_like(felt)
    value = 0.0
    for j, x in enumerate(felt.tolist()):
        value = x + (value - x) * keep
        slow[j] = value
    made: Floats = 0.5 + 0.5 * np.tanh(gain * np.interp(t_s, grid, slow) / 4.0)
    return made


def house_error(audience: Audience, heard: Heard, start_s: float, window: tuple[float, float]) -> float | None:
    """Mean distance of published from expected arousal over a window of the run; None without snapshots in it."""
    t_s, arousal = _published(heard, start_s, window)
    if len(t_s) < 20:
        return None
    return float(np.abs(arousal - expected(audience, t_s)).mean())


def false_rise(heard: Heard, start_s: float, spans: Sequence[tuple[float, float]]) -> float | None:
    """The largest rise within any of the spans above the mean of the 4 s before it; None without snapshots."""
    made = []
    for begin, end in spans:
        _, before = _published(heard, start_s, (begin - 4.0, begin))
        _, during = _published(heard, start_s, (begin, end + 5.0))
        if len(before) and len(during):
            made.append(float(during.max() - before.mean()))
    return max(made) if made else None


def silence_s(heard: Heard, start_s: float, window: tuple[float, float]) -> float | None:
    """The longest time between two snapshots in a window (its ends count); None without any."""
    t_s, _ = _published(heard, start_s, window)
    if not len(t_s):
        return None
    return float(np.diff(np.concatenate(([window[0]], t_s, [window[1]]))).max())


def steepest(heard: Heard, start_s: float, window: tuple[float, float]) -> float | None:
    """The largest change of the house's arousal a second; None without snapshots."""
    t_s, arousal = _published(heard, start_s, window)
    if len(t_s) < 10:
        return None
    later = np.searchsorted(t_s, t_s + STEP_OVER_S)
    inside = later < len(t_s)
    change = np.abs(arousal[later[inside]] - arousal[inside])
    return float((change / (t_s[later[inside]] - t_s[inside])).max())


def coverage(measures: Measures) -> float | None:
    """The least share, of any section, of the phones that stream which its published value counts, at its best.

    Judged on the last 5 s of the run, because listeners count from their first 20 s on.
    """
    if not measures.coverage:
        return None
    last = measures.coverage[-1][0]
    best = None
    for at, streaming, counted in measures.coverage:
        if at < last - 5.0 or len(streaming) != len(counted):
            continue
        share = np.where(streaming > 0, counted / np.maximum(streaming, 1), 1.0)
        best = share if best is None else np.maximum(best, share)
    return None if best is None else float(best.min())


def figures(
    scenario: Scenario, audience: Audience, measures: Measures, heard: Heard | None, window: tuple[float, float]
) -> dict[str, float | None]:
    """Every figure an objective may name; ``window``: from when the outputs were open and settled, to the end."""
    made: dict[str, float | None] = {
        "join_p99_s": measures.joins.percentile(99),
        "connect_failures": measures.total("connect_failures") / max(measures.total("connects"), 1),
        "ack_p99_ms": measures.acks.percentile(99) * 1e3,
        "unacknowledged": measures.last("owed") / max(measures.last("made"), 1),
        "acknowledged_lost": acknowledged_lost(measures),
        "duplicates_share": measures.total("resent") / max(measures.total("packets"), 1),
        "recovery_s": max(measures.recoveries_s(disturbed_until_s(scenario)), default=0.0),
    }
    if heard is not None:
        spans = [(h.start_s, h.stop_s) for h in scenario.happening if h.stop_s > window[0]]
        spans = [(max(a, window[0] + 4.0), b) for a, b in spans]
        made |= {
            "latency_p50_ms": heard.latency.percentile(50) * 1e3 if heard.latency.count else None,
            "latency_p99_ms": heard.latency.percentile(99) * 1e3 if heard.latency.count else None,
            "coverage": coverage(measures),
            "house_error": house_error(audience, heard, measures.start_s, window),
            "false_rise": false_rise(heard, measures.start_s, spans),
            "silence_s": silence_s(heard, measures.start_s, window),
            "step_a_second": steepest(heard, measures.start_s, window),
        }
    return made


def acknowledged_lost(measures: Measures) -> float | None:
    """Packets acknowledged to phones less packets that the engine says it took; None where it does not say."""
    taken = measures.gained(ENGINE_PACKETS) + measures.total("skipped")
    if np.isnan(taken):
        return None
    return max(0.0, measures.total("acknowledged") - taken)


def _published(heard: Heard, start_s: float, window: tuple[float, float]) -> tuple[Floats, Floats]:
    if not heard.house:
        return np.empty(0), np.empty(0)
    rows = np.array([(at - start_s, value) for at, value, _, _ in heard.house])
    inside = (rows[:, 0] >= window[0]) & (rows[:, 0] <= window[1])
    return rows[inside, 0], rows[inside, 1]

"""Every listener's fused arousal with its confidence, from what the kernels know at a tick. Pure numpy.

A listener is refreshed twice a second, the whole house at once (``turn_key``); in between the value runs straight to
the new one, so it never steps. Nothing depends on which other listeners are there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from math import exp

import numpy as np

from aggregator.dsp import arousal as formula
from aggregator.dsp import baseline as resting
from aggregator.dsp.baseline import BaselineSettings, BaselineState, F, Prior
from aggregator.dsp.columns import Bools, Floats, Ints, Rows, column
from aggregator.dsp.features import AUDIENCE, FeatureTable, FusionInputs, gather


@dataclass(frozen=True, slots=True)
class FusionSettings:
    """Times in s, trusts and movement in [0, 1].

    ``refresh_s``: how often a listener is refreshed. ``weight_rise_s``/``weight_fall_s``: time constants of the
    effective weights, so that a channel which comes or dies does not jump the value. ``z_per_s``: fastest change of z;
    4 a second keep arousal within contract 11's 0.5, as d arousal/dz <= 1/8. ``onset_s``: time constant from 0.5 to
    the first value. ``trust_rise_s``/``trust_fall_s``: time constants of confidence. ``trusted``: a feature below this
    keeps its last value (its weight still falls). ``still``: movement above it is no clean second of rest.
    ``hold_movement``: movement above it holds the features, so that exercise is not published as feeling (above 1:
    never). ``artefact_hold_s``: how long features are held after either such movement or pulse and skin collapsing at
    once, with confidence times ``artefact_confidence``.
    """

    baseline: BaselineSettings = field(default_factory=BaselineSettings)
    refresh_s: float = 0.5
    weight_rise_s: float = 4.0
    weight_fall_s: float = 2.0
    z_per_s: float = 4.0
    onset_s: float = 1.0
    trust_rise_s: float = 2.0
    trust_fall_s: float = 0.5
    trusted: float = 0.5
    still: float = 0.3
    hold_movement: float = 0.6
    artefact_hold_s: float = 2.0
    artefact_confidence: float = 0.5


PERFORMER = FusionSettings(hold_movement=2.0)  # while a performer moves, confidence falls but channels keep flowing
KEY_BITS = 0xFFFF  # turns need few bits; a whole pseudonym has no place among the columns
PHASE = 1  # of the refreshes among the ticks: those after a tick at which entries are used have little else to do
ROUNDS = 0xFFF  # refreshes by which counts differ: seconds and medians are spread, KEY_BITS are not exceeded
COLLAPSE = 0.5  # pulse and skin trust both below half of their own last seconds: knocked, clapped or pulled
COLLAPSE_MEMORY_S = 5.0
LEAP = 0.5  # logarithm: a pulse wave 1.65 times its size; vessels widen over minutes, hands move in a second
LEAP_MEMORY_S = 20.0
LEFT_OUT = 0.05  # trust: what a non-responder keeps against a provisional baseline is three times as much


@dataclass(slots=True)
class FusionState(BaselineState):
    """Baseline columns and the fused result. Readers take ``z``, ``arousal``, ``confidence``, ``baseline_stage``,
    ``baseline_seconds``, ``z_feature`` and ``trust``; all finite always. A feature whose trust is 0 is left out:
    count it, never hide it."""

    key: Ints = column(dtype=np.int64, doc="whose turn it is: from the listener's identity, never from the row")
    ticks: Ints = column(dtype=np.int64, doc="ticks since the listener took the row")
    z: Floats = column(doc="fused deviation from own rest, robust deviations, -8..8")
    z_step: Floats = column(doc="z per tick until the next refresh")
    arousal: Floats = column(fill=0.5, doc="[0, 1], 0.5 is own rest and not yet known")
    confidence: Floats = column(doc="[0, 1]")
    confidence_step: Floats = column(doc="confidence per tick until the next refresh")
    z_feature: Floats = column(tail=(F,), doc="each feature against own rest, unsigned by arousal, 0 unknown")
    trust: Floats = column(tail=(F,), doc="each feature's quality times baseline trust, [0, 1]")
    held: Floats = column(tail=(F,), fill=np.nan, doc="each feature's last trusted value, transformed units")
    weight: Floats = column(tail=(F,), doc="effective weight, glides")
    onset: Floats = column(doc="0..1, glides to 1 once anything is known")
    level: Floats = column(doc="coverage, rises slowly and falls fast")
    recent_pulse: Floats = column(doc="pulse trust of the last seconds")
    recent_skin: Floats = column(doc="skin trust of the last seconds")
    recent_amplitude: Floats = column(
        fill=np.nan, doc="log pulse amplitude of the last seconds, from the first trusted one on"
    )
    artefact_s: Floats = column(doc="seconds of hold left")


def stride_of(settings: FusionSettings, dt_s: float) -> int:
    """Ticks of ``dt_s`` from one refresh of a listener to the next: about ``refresh_s``, and a whole part of a second
    where one of at least 0.4 times that is to be had, so that a second of rest is a second."""
    return _stride(settings.refresh_s, dt_s)


@lru_cache(maxsize=64)
def _stride(refresh_s: float, dt_s: float) -> int:
    most, second = max(1, round(refresh_s / dt_s)), round(1.0 / dt_s)
    whole = next(n for n in range(most, 0, -1) if second % n == 0)
    return whole if whole >= 0.4 * most else most


def turn_key(listener: int, k: int, stride: int) -> int:
    """A key for ``begin`` at tick ``k``: everybody is refreshed at the same ticks, whenever they came, because each
    call costs half a millisecond before it has seen a listener.

    ``listener``: any number of their own >= 0; decides, by refreshes, when their seconds end and medians are due.
    """
    return (k - PHASE) % stride + stride * (listener & ROUNDS)


def begin(state: FusionState, rows: Rows, keys: Ints) -> None:
    """Listeners take rows: cleared, and ``keys`` (int64, any number of the listener's own, e.g. of the pseudonym)
    decides their turns."""
    state.clear(rows)
    state.key[rows] = keys & KEY_BITS


def observe(
    state: FusionState,
    inputs: FusionInputs | Callable[[], FusionInputs],
    *,
    rest: Bools,
    drift: Bools,
    dt_s: float,
    prior: Prior | None = None,
    settings: FusionSettings | None = None,
    table: FeatureTable = AUDIENCE,
    live: Bools | None = None,
) -> None:
    """One tick of ``dt_s`` for every listener: refresh those whose turn it is, run all others on.

    Args:
        state: columns (listeners,) and (listeners, F), changed in place. inputs: arrays over all listeners, or what
        gives them, asked only when somebody's turn has come.
        rest, drift: bool (listeners,), what the part of each one's shard allows.
        dt_s: seconds a tick, > 0, the same all evening. prior: the house's scales; the table's when None.
        live: bool (listeners,), rows in use; None: all. Call ``begin`` when a listener takes a row.

    A refresh each ``stride_of(settings, dt_s)`` ticks adds at most ``refresh_s`` to the age of an event, and
    as much again until the line has arrived. Does not know seat states: held and lost are the engine's.
    """
    chosen = settings or FusionSettings()
    stride = stride_of(chosen, dt_s)
    state.ticks += 1 if live is None else live
    count = state.ticks + state.key
    turn: Bools = np.equal(count // stride * stride, count)  # five times faster than the remainder
    due = np.flatnonzero(turn if live is None else turn & live)
    if len(due):
        known = inputs() if callable(inputs) else inputs
        _refresh(state, known, due, rest[due], drift[due], stride, dt_s, prior or Prior.of_table(table), chosen, table)
    state.z += state.z_step
    state.confidence += state.confidence_step
    np.minimum(np.maximum(state.confidence, 0.0, out=state.confidence), 1.0, out=state.confidence)
    state.arousal[:] = formula.squash(state.z)


def _refresh(
    state: FusionState,
    inputs: FusionInputs,
    due: Rows,
    rest: Bools,
    drift: Bools,
    stride: int,
    dt_s: float,
    prior: Prior,
    settings: FusionSettings,
    table: FeatureTable,
) -> None:
    """Take in what is known now for the rows due, and set the line that each runs along until the next time."""
    span = stride * dt_s
    values, quality = gather(table, inputs, due)
    moving = np.zeros(len(due)) if inputs.movement is None else np.fmin(np.fmax(inputs.movement[due], 0.0), 1.0)
    _distrust_leaps(state, due, values, quality, span, settings.trusted, table)
    artefact = _artefact(state, due, quality, moving, span, settings, table)
    good = (quality >= settings.trusted) & ~artefact[:, None]
    held = _hold(_lines(state.held, due), values, good, span, table)
    state.held[due] = held
    count = (state.ticks.take(due) + state.key.take(due)) // stride
    second = np.flatnonzero(count % max(1, round(1.0 / span)) == 0)
    still = good[second] & (moving[second] < settings.still)[:, None]
    resting.advance(
        state, due, np.where(still, held[second], np.nan), second=second, turn=count % settings.baseline.turns == 0,
        rest=rest, drift=drift, dt_s=span, prior=prior, table=table, settings=settings.baseline,
    )  # fmt: skip
    covered = _fuse(state, due, held, quality, stride, span, settings, table)
    _confide(state, due, covered * (1.0 - moving), artefact, stride, span, settings)


@lru_cache(maxsize=64)  # a handful of constants an evening
def _gain(span: float, time_constant_s: float) -> float:
    """Share of the way that is gone in ``span`` seconds."""
    return 1.0 - exp(-span / time_constant_s)


def _lines(column: Floats, rows: Rows) -> Floats:
    """Some rows of a column (listeners, F), each feature's numbers together in memory: (m, F) in Fortran order."""
    return np.asfortranarray(column.take(rows, axis=0))


def _hold(before: Floats, values: Floats, good: Bools, span: float, table: FeatureTable) -> Floats:
    """The value that counts: the new one where good, eased where the table says so, else the last good one."""
    held = before.copy(order="F")
    np.copyto(held, values, where=good)
    for f in table.eased:
        step = values[:, f] - before[:, f]
        step *= _gain(span, table.ease_s[f])
        step += before[:, f]
        np.copyto(held[:, f], step, where=good[:, f] & np.isfinite(step))
    return held


def _distrust_leaps(
    state: FusionState, due: Rows, values: Floats, quality: Floats, span: float, trusted: float, table: FeatureTable
) -> None:
    """A pulse wave that grows by more than LEAP above both rest and its last seconds is a finger that moves, not one
    that warms: its pulse is not trusted until the memory has caught up (a sensor that was put on anew)."""
    if "pulse_amplitude" not in table.names:
        return
    f = table.names.index("pulse_amplitude")
    now, recent = values[:, f], state.recent_amplitude.take(due)
    leap = now > np.fmax(recent, state.location[:, f].take(due)) + LEAP
    np.copyto(recent, now, where=~(np.isfinite(recent) | (quality[:, f] < trusted)))
    if np.count_nonzero(leap):
        for g in table.of_channel["pulse"]:
            quality[:, g] *= ~leap
    step = (now - recent) * _gain(span, LEAP_MEMORY_S)
    np.add(recent, step, out=recent, where=np.isfinite(step))
    state.recent_amplitude[due] = recent


def _artefact(
    state: FusionState,
    due: Rows,
    quality: Floats,
    moving: Floats,
    span: float,
    settings: FusionSettings,
    table: FeatureTable,
) -> Bools:
    """Movement above the limit, or pulse and skin losing half of their trust at once and for some seconds after: a
    clap, a knock, a hand that lets go. What is read then is the hand, not the listener."""
    hold = np.maximum(state.artefact_s.take(due) - span, 0.0)
    channels = table.of_channel
    if "pulse" in channels and "skin" in channels:
        fallen = np.ones(len(due), np.bool_)
        for recent, channel in ((state.recent_pulse, "pulse"), (state.recent_skin, "skin")):
            now, before = quality[:, channels[channel][0]], recent.take(due)
            fallen &= (now < COLLAPSE * before) & (before > settings.trusted)
            recent[due] = before + (now - before) * _gain(span, COLLAPSE_MEMORY_S)
        np.copyto(hold, settings.artefact_hold_s, where=fallen)
    np.copyto(hold, settings.artefact_hold_s, where=moving >= settings.hold_movement)
    state.artefact_s[due] = hold
    return hold > 0.0


def _fuse(
    state: FusionState,
    due: Rows,
    held: Floats,
    quality: Floats,
    stride: int,
    span: float,
    settings: FusionSettings,
    table: FeatureTable,
) -> Floats:
    """Deviations, gliding weights, fused z and its line. Where nothing is trusted, weights and value stay.
    Returns the coverage."""
    z = formula.against_rest(held, _lines(state.location, due), _lines(state.scale, due))
    state.z_feature[due] = z
    trust = quality * _lines(state.own_trust, due)
    state.trust[due] = trust
    covered = formula.coverage(trust, table)
    anything = covered > 0.0
    weight = _lines(state.weight, due)
    change = table.size_of_weight * trust
    change -= weight
    gain = np.where(change > 0.0, _gain(span, settings.weight_rise_s), _gain(span, settings.weight_fall_s))
    gain *= anything[:, None]
    change *= gain
    weight += change
    state.weight[due] = weight
    onset = state.onset.take(due)
    onset += _gain(span, settings.onset_s) * anything * (1.0 - onset)
    state.onset[due] = onset
    limit = settings.z_per_s * span
    step = onset * formula.combine(z, weight, table) - state.z.take(due)
    state.z_step[due] = np.minimum(np.maximum(step, -limit, out=step), limit, out=step) / stride
    return covered


def _confide(
    state: FusionState,
    due: Rows,
    goal: Floats,
    artefact: Bools,
    stride: int,
    span: float,
    settings: FusionSettings,
) -> None:
    """confidence = coverage(trust) * (1 - movement), half of that while an artefact holds; up slowly, down fast."""
    goal = np.where(artefact, settings.artefact_confidence * goal, goal)
    level = state.level.take(due)
    change = goal - level
    change *= np.where(change > 0.0, _gain(span, settings.trust_rise_s), _gain(span, settings.trust_fall_s))
    level += change
    state.level[due] = level
    state.confidence_step[due] = (level - state.confidence.take(due)) / stride


def channel_values(state: FusionState, row: int, table: FeatureTable) -> dict[str, tuple[float, float]]:
    """Each feature of one performer as (value, confidence): (1 + tanh(z / 4)) / 2 against their own rest, 0.5 rest,
    up is up in the feature's own unit. Features never known are left out."""
    value = formula.squash(state.z_feature[row])
    return {
        name: (float(value[f]), float(state.trust[row, f]))
        for f, name in enumerate(table.names)
        if np.isfinite(state.held[row, f])
    }


def left_out(state: FusionState, rows: Rows, table: FeatureTable = AUDIENCE) -> dict[str, Bools]:
    """Which of ``rows`` (m,) have next to no trust in any feature of a channel, by channel: cold, faint, loose, moving.

    For the count on the page, so that who cannot be measured is never left out silently.
    """
    trusted = state.trust[rows] > LEFT_OUT
    made: dict[str, Bools] = {}
    for channel, numbers in table.of_channel.items():
        made[channel] = np.logical_not(np.logical_or.reduce(trusted[:, list(numbers)], axis=1))
    return made

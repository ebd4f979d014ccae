"""Each listener's own rest: robust location and scale a feature, provisional from arrival, proper from a still part.

Samples are collected once a second on the listener's own count of refreshes; medians are due on the listener's own
turn, so that no tick has to sort for the whole house, and nothing depends on who else is there. Pure numpy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, make_dataclass
from typing import TypeVar, cast

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Floats32, Ints, Rows, column
from aggregator.dsp.features import AUDIENCE, FeatureTable

F = AUDIENCE.size
RING_S = 120  # the still period the maker places is 120 s; one sample a second
MAD_TO_DEVIATION = 1.482602218505602  # 1 / (upper quartile of the standard normal): deviation of a normal from its MAD
PROVISIONAL_TRUST = 0.5  # against a provisional baseline confidence stays at or below this
ARRIVED = 1e-6  # deviations from the target at which a glide is over: far below a bin of the house's histogram
NONE, PROVISIONAL, PROPER = 0, 1, 2
IDLE, ARRIVING, RESTING = 0, 1, 2


@dataclass(frozen=True, slots=True)
class BaselineSettings:
    """``rest_s``: length of the still period (10..120). ``clean_share``: share of it that must be clean before it
    replaces an older baseline. ``shrink``: how far the logarithm of the own scale goes towards the house's.
    ``turns``: refreshes over which pending medians are spread."""

    rest_s: int = 120
    clean_share: float = 0.5
    provisional_s: int = 20
    provisional_end_s: int = 60
    shrink: float = 0.5
    glide_s: float = 2.0
    drift_s: float = 600.0
    drift_limit_per_s: float = 0.1 / 60.0
    turns: int = 8

    def __post_init__(self) -> None:
        """Raises ValueError: a value outside its domain."""
        if not 10 <= self.rest_s <= RING_S:
            raise ValueError(f"rest_s must be 10..{RING_S} seconds, got {self.rest_s}")
        if not 0.0 < self.clean_share <= 1.0 or not 0.0 <= self.shrink <= 1.0:
            raise ValueError(f"clean_share and shrink must lie in 0..1, got {self.clean_share} and {self.shrink}")
        if self.drift_s < 600.0:
            raise ValueError(f"drift_s must be at least 600: faster drift swallows a crescendo, got {self.drift_s}")


@dataclass(frozen=True, slots=True)
class Prior:
    """The house's robust deviation a feature, transformed units: ``scale`` (F,), or (streams, F) with ``stream``
    int64 (listeners,) saying whose is whose; NaN: unknown, nothing is shrunk. ``counted``: proper baselines behind it
    (0: the table's own figures)."""

    scale: Floats
    counted: int = 0
    stream: Ints | None = None

    @classmethod
    def of_table(cls, table: FeatureTable = AUDIENCE) -> Prior:
        return cls(table.prior_scale)

    @classmethod
    def named(cls, scale: Mapping[str, float], table: FeatureTable = AUDIENCE) -> Prior:
        """From scales by feature name; the table's figure for a name that is missing."""
        return cls(np.array([scale.get(f.name, f.prior_scale) for f in table.features], np.float64))

    def at(self, rows: Rows) -> Floats:
        """Scales for some rows: (m, F) or (F,)."""
        return self.scale if self.stream is None else self.scale[self.stream[rows]]


@dataclass(slots=True)
class BaselineState(Columns):
    """Columns of rest; tails of ``F`` are one number a feature of the table."""

    own_location: Floats = column(tail=(F,), fill=np.nan, doc="median at rest, transformed units")
    own_log_scale: Floats = column(tail=(F,), fill=np.nan, doc="log of the floored robust deviation, not shrunk")
    own_seconds: Floats = column(tail=(F,), doc="clean seconds behind it")
    own_stage: Ints = column(tail=(F,), dtype=np.int64, doc="0 none, 1 provisional, 2 proper")
    own_trust: Floats = column(tail=(F,), doc="[0, 1]: 0 none, 0.5 provisional, 0.5..1 by clean seconds")
    last_location: Floats = column(tail=(F,), fill=np.nan, doc="the baseline before, for undo")
    last_log_scale: Floats = column(tail=(F,), fill=np.nan, doc="the baseline before, for undo")
    last_seconds: Floats = column(tail=(F,), doc="the baseline before, for undo")
    last_stage: Ints = column(tail=(F,), dtype=np.int64, doc="the baseline before, for undo")
    last_trust: Floats = column(tail=(F,), doc="the baseline before, for undo")
    location: Floats = column(tail=(F,), fill=np.nan, doc="location in use: glides to own_location")
    scale: Floats = column(tail=(F,), fill=np.nan, doc="scale in use: glides to the shrunk own scale")
    from_this: Bools = column(tail=(F,), dtype=np.bool_, doc="own baseline was made from the samples now in the ring")
    ring: Floats32 = column(tail=(F, RING_S), dtype=np.float32, fill=np.nan, doc="1 Hz samples, NaN not clean")
    baseline_stage: Ints = column(dtype=np.int64, doc="0 none, 1 provisional, 2 proper: the best of the features")
    baseline_seconds: Floats = column(doc="clean seconds of the best feature")
    settled: Bools = column(dtype=np.bool_, doc="location and scale in use have arrived")
    taken_s: Ints = column(dtype=np.int64, doc="seconds since this collection began")
    taking: Ints = column(dtype=np.int64, doc="0 idle, 1 arriving, 2 resting")
    pending: Ints = column(dtype=np.int64, doc="medians asked for: 0 none, 1 provisional, 2 proper")
    was_rest: Bools = column(dtype=np.bool_, doc="part rest at the last refresh")
    abandoned: Bools = column(dtype=np.bool_, doc="this rest was undone by the operator: not taken again")


S = TypeVar("S", bound=BaselineState)


def sized(kind: type[S], features: int) -> type[S]:
    """The same columns for a table of another size (a performer's): a subclass whose feature axis has that length."""

    def tail(t: tuple[int, ...]) -> tuple[int, ...]:
        return (features, *t[1:]) if t else t

    made = [(f.name, f.type, field(metadata={**f.metadata, "tail": tail(f.metadata["tail"])})) for f in fields(kind)]
    return cast(type[S], make_dataclass(f"{kind.__name__}{features}", made, bases=(kind,), slots=True))


def robust(samples: Floats32) -> tuple[Floats, Floats, Ints]:
    """Median and 1.4826 * MAD along the last axis, NaN left out, and how many were counted.

    Args:
        samples: float32 (..., n). Returns: location, deviation float64 (...), NaN where nothing was counted; count.

    Does not floor the deviation: more than half equal samples give 0. Source: Hampel 1974 (M); DEVELOPERS, "Kernels".
    """
    count = np.isfinite(samples).sum(axis=-1)
    location = _middle(np.sort(samples, axis=-1), count)
    distance = np.abs(samples - location[..., None].astype(np.float32))
    return location, MAD_TO_DEVIATION * _middle(np.sort(distance, axis=-1), count), count


def _middle(ordered: Floats32, count: Ints) -> Floats:
    """Median of the first ``count`` of sorted samples; NaN (sorted last) where count is 0."""
    low = np.take_along_axis(ordered, np.maximum(count - 1, 0)[..., None] // 2, axis=-1)[..., 0]
    high = np.take_along_axis(ordered, np.minimum(count // 2, ordered.shape[-1] - 1)[..., None], axis=-1)[..., 0]
    return 0.5 * (low.astype(np.float64) + high)


def advance(
    state: BaselineState,
    rows: Rows,
    values: Floats,
    *,
    second: Rows,
    turn: Bools,
    rest: Bools,
    drift: Bools,
    dt_s: float,
    prior: Prior,
    table: FeatureTable,
    settings: BaselineSettings,
) -> None:
    """Move some listeners' baselines on by one refresh of ``dt_s``.

    Args:
        rows: intp (m,), distinct. second: intp (s,), which of them have a second of their own count ended, and
        values: float64 (s, F) theirs, transformed units, NaN where not clean. turn: bool (m,), turn for medians.
        rest, drift: bool (m,), what their part allows.

    Once a second: begin or end a collection, put a sample into the ring, drift. On their turn: medians, and a look at
    whether the house's scale has changed. Each time, until arrived: glide.

    Does not judge quality: gate ``values`` first.
    """
    if len(second):
        each, loose = rows[second], drift[second]
        _begin_and_end(state, each, values, rest[second], loose)
        _collect(state, each, values, loose, settings)
        if np.count_nonzero(loose):
            _drift(state, each[loose], values[loose], settings)
    due = turn & (state.pending.take(rows) != NONE)
    if np.count_nonzero(due):
        _take(state, rows[due], drift[due], table, settings)
    gliding = turn | ~state.settled.take(rows)
    if np.count_nonzero(gliding):
        _glide(state, rows[gliding], dt_s, prior, table, settings)


def _begin_and_end(state: BaselineState, rows: Rows, values: Floats, rest: Bools, drift: Bools) -> None:
    """A still part begins a collection, its end asks for the medians; outside it, a feature without any baseline
    begins an arrival's collection."""
    was, taking, pending = state.was_rest[rows], state.taking[rows], state.pending[rows]
    begin = rest & (taking != RESTING) & (pending != PROPER) & ~state.abandoned[rows]
    end = was & ~rest & (taking == RESTING)
    unknown = (state.own_stage[rows] == NONE) & np.isfinite(values)
    loose = drift & (state.own_stage[rows] == PROVISIONAL).any(axis=1)
    arrive = ~rest & (taking == IDLE) & (pending == NONE) & (unknown.any(axis=1) | loose)
    if np.count_nonzero(end):
        state.pending[rows[end]] = PROPER
        state.taking[rows[end]] = IDLE
    fresh = begin | arrive
    if np.count_nonzero(fresh):
        new = rows[fresh]
        state.ring[new] = np.nan
        state.from_this[new] = False
        state.taken_s[new] = 0
        state.pending[new] = NONE
        state.taking[new] = np.where(rest[fresh], RESTING, ARRIVING)
    state.abandoned[rows] &= rest
    state.was_rest[rows] = rest


def _collect(state: BaselineState, rows: Rows, values: Floats, drift: Bools, settings: BaselineSettings) -> None:
    """One sample into the ring; ask for medians when enough seconds have passed."""
    collecting = state.taking[rows] != IDLE
    if not np.count_nonzero(collecting):
        return
    rows, values, drift = rows[collecting], values[collecting], drift[collecting]
    taken = state.taken_s[rows]
    state.ring[rows, :, taken % RING_S] = values
    taken = taken + 1
    state.taken_s[rows] = taken
    resting = state.taking[rows] == RESTING
    stage, mine = state.own_stage[rows], state.from_this[rows]
    useful = ((stage == NONE) | (stage == PROVISIONAL) & (mine | drift[:, None])).any(axis=1)
    early = useful & (taken >= settings.provisional_s) & (taken % 5 == 0) & (taken <= settings.provisional_end_s)
    rolling = useful & drift & (taken > settings.provisional_end_s) & (taken % 30 == 0)
    full = resting & (taken >= settings.rest_s) & ((taken - settings.rest_s) % 30 == 0)
    ask = np.where(full, PROPER, np.where(early | ~resting & rolling, PROVISIONAL, NONE))
    state.pending[rows] = np.maximum(state.pending[rows], ask)
    state.taking[rows] = np.where(~resting & ~drift & (taken >= settings.provisional_end_s), IDLE, state.taking[rows])


def _take(state: BaselineState, rows: Rows, drift: Bools, table: FeatureTable, settings: BaselineSettings) -> None:
    """Medians of the ring into the own baseline where enough clean seconds exist; the old one is kept for undo."""
    location, deviation, count = robust(state.ring[rows])
    proper = (state.pending[rows] == PROPER)[:, None] & (count >= settings.clean_share * settings.rest_s)
    stage, mine = state.own_stage[rows], state.from_this[rows]
    early = (stage == NONE) | (stage == PROVISIONAL) & (mine | drift[:, None])
    early &= ~proper & (count >= settings.provisional_s)
    keep_old = proper & ~mine
    for old, own in LAST_AND_OWN:
        last = getattr(state, old)
        last[rows] = np.where(keep_old, getattr(state, own)[rows], last[rows])
    new = proper | early
    with np.errstate(invalid="ignore"):
        floor = np.maximum(table.scale_floor, table.relative_floor * np.abs(location))
        log_scale = np.log(np.maximum(deviation, floor))
    state.own_location[rows] = np.where(new, location, state.own_location[rows])
    state.own_log_scale[rows] = np.where(new, log_scale, state.own_log_scale[rows])
    state.own_seconds[rows] = np.where(new, count, state.own_seconds[rows])
    state.own_stage[rows] = np.where(proper, PROPER, np.where(early, PROVISIONAL, stage))
    state.from_this[rows] = mine | proper | early & (stage == NONE)
    state.pending[rows] = NONE
    _judge(state, rows, settings)


def _judge(state: BaselineState, rows: Rows, settings: BaselineSettings) -> None:
    """Trust in each feature's baseline and the listener's summary, after any change of it."""
    stage, seconds = state.own_stage[rows], state.own_seconds[rows]
    full = PROVISIONAL_TRUST + (1.0 - PROVISIONAL_TRUST) * np.minimum(seconds / settings.rest_s, 1.0)
    state.own_trust[rows] = np.where(stage == PROPER, full, PROVISIONAL_TRUST * (stage == PROVISIONAL))
    state.baseline_stage[rows] = stage.max(axis=1)
    state.baseline_seconds[rows] = seconds.max(axis=1)
    state.settled[rows] = False


LAST_AND_OWN = (
    ("last_location", "own_location"),
    ("last_log_scale", "own_log_scale"),
    ("last_seconds", "own_seconds"),
    ("last_stage", "own_stage"),
    ("last_trust", "own_trust"),
)


def _drift(state: BaselineState, rows: Rows, values: Floats, settings: BaselineSettings) -> None:
    """Each second: location += clip((x - location) / drift_s, +-limit * scale), only where x is known."""
    own = state.own_location[rows]
    limit = settings.drift_limit_per_s * np.exp(state.own_log_scale[rows])
    step = np.clip((values - own) / settings.drift_s, -limit, limit)
    state.own_location[rows] = np.where(np.isfinite(step), own + step, own)
    state.settled[rows] = False


def _glide(
    state: BaselineState, rows: Rows, dt_s: float, prior: Prior, table: FeatureTable, settings: BaselineSettings
) -> None:
    """Location and scale in use move exponentially to their targets; the first ones are taken at once, because the
    weight of a feature without a baseline is 0 and glides up from there."""
    own, goal = state.own_log_scale[rows], state.own_location[rows]
    house = np.log(np.maximum(prior.at(rows), table.scale_floor))
    target = np.exp(np.where(np.isnan(house), own, own + settings.shrink * (house - own)))
    here, wide = state.location[rows], state.scale[rows]
    gain = 1.0 - np.exp(-dt_s / settings.glide_s)
    state.location[rows] = np.where(np.isfinite(here), here + gain * (goal - here), goal)
    state.scale[rows] = np.where(np.isfinite(wide), wide + gain * (target - wide), target)
    away = np.maximum(np.abs(goal - here), np.abs(target - wide)) > ARRIVED * target
    state.settled[rows] = ~away.any(axis=1) & (np.isfinite(here) == np.isfinite(goal)).all(axis=1)


def undo(state: BaselineState, rows: Rows, settings: BaselineSettings) -> None:
    """Give ``rows`` the baseline they had before the last proper one (glides back); twice is redo.

    Features that had none before keep what they have: undoing to nothing would silence a seat. A rest that is still
    going on is not taken any further for them.
    """
    swap = state.last_stage[rows] != NONE
    for old, own in LAST_AND_OWN:
        last, mine = getattr(state, old), getattr(state, own)
        before, now = last[rows], mine[rows]
        last[rows] = np.where(swap, now, before)
        mine[rows] = np.where(swap, before, now)
    state.taking[rows] = IDLE
    state.pending[rows] = NONE
    state.abandoned[rows] = state.was_rest[rows]
    _judge(state, rows, settings)


def save(state: BaselineState, row: int, table: FeatureTable) -> dict[str, list[float]]:
    """A performer's proper baseline for another day, by feature name: [location, log scale, clean seconds]."""
    kept = (state.own_location, state.own_log_scale, state.own_seconds)
    return {
        name: [float(numbers[row, f]) for numbers in kept]
        for f, name in enumerate(table.names)
        if state.own_stage[row, f] == PROPER
    }


def load(
    state: BaselineState,
    row: int,
    saved: Mapping[str, Sequence[float]],
    table: FeatureTable,
    settings: BaselineSettings,
) -> None:
    """Put a saved baseline in place of the row's (glides in; can be undone); unknown names are left out.

    Raises:
        ValueError: not three finite numbers for a feature; nothing of the row was changed then.
    """
    for name, numbers in saved.items():
        if len(numbers) != 3 or not np.isfinite(numbers).all():
            raise ValueError(f"baseline of {name}: location, log scale and seconds expected, got {numbers}")
    for f, name in enumerate(table.names):
        if name in saved:
            for old, own in LAST_AND_OWN:
                getattr(state, old)[row, f] = getattr(state, own)[row, f]
            state.own_location[row, f], state.own_log_scale[row, f], state.own_seconds[row, f] = saved[name]
            state.own_stage[row, f] = PROPER
    _judge(state, np.array([row]), settings)


def prior_summary(state: BaselineState, rows: Rows, table: FeatureTable, *, at_least: int = 8) -> Prior:
    """The house's scale a feature: median of the listeners' own log scales with a proper baseline, else the table's.

    ``at_least``: fewer listeners than this say nothing about a house. Does not depend on the order of ``rows``.
    """
    stage = state.own_stage[rows] == PROPER
    scale, counted = table.prior_scale.copy(), 0
    for f in range(table.size):
        known = state.own_log_scale[rows, f][stage[:, f]]
        if len(known) >= at_least:
            scale[f] = np.exp(np.median(known))
            counted = max(counted, len(known))
    return Prior(scale, counted)

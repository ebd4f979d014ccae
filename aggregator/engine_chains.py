"""The kernels in order: samples onto grids, grids through kernels, features into fused arousal. Pure.

One set of columns a channel, a row a listener; breath, muscle and scalars only in the performers' small table, so that
the audience does not pay for them. A performer's fusion is in the small table too, with more features.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from aggregator.dsp import baseline, fusion
from aggregator.dsp.baseline import BaselineSettings, Prior, sized
from aggregator.dsp.columns import Bools, Columns, Floats, Rows
from aggregator.dsp.features import AUDIENCE, FusionInputs, Reading, audience_inputs, performer_table
from aggregator.dsp.fusion import FusionSettings, FusionState
from aggregator.engine_channels import PLANS, ArrivalState, Channel, SmallArrivalState
from aggregator.engine_view import RowEvents
from aggregator.intake import Taken
from aggregator.listeners import MAX_PERFORMERS, SCALARS, Kind, Listeners
from aggregator.states import Reading as SeatReading

MOTION_FRESH_S = 3.0  # older movement is no longer the movement now: the power is averaged over 3 s
LOG_SCALE_LIMIT = 30.0  # of a saved baseline: e**30 is no deviation of any channel
_ALIKE = [AUDIENCE.names.index(name) for name in ("skin_drive", "pulse_rate")]
SCALAR_NAMES = tuple(PLANS[kind].name for kind in SCALARS)


@dataclass(frozen=True, slots=True)
class ChainSettings:
    """``rest_s``: length of the resting baseline; ``skin_response_minimum_us``: smallest response counted."""

    rest_s: float = 120.0
    skin_response_minimum_us: float = 0.05


class Chains:
    """Every kernel's columns and the order they run in."""

    def __init__(self, listeners: Listeners, settings: ChainSettings, tick_hz: float) -> None:
        self.listeners, self.tick_hz = listeners, tick_hz
        resting = BaselineSettings(rest_s=round(settings.rest_s))
        self.audience_settings = FusionSettings(baseline=resting)
        self.performer_settings = FusionSettings(baseline=resting, hold_movement=fusion.PERFORMER.hold_movement)
        self.performer_table = performer_table(SCALAR_NAMES)
        capacity, minimum_us = listeners.capacity, settings.skin_response_minimum_us
        self.channels = {kind: Channel.build(kind, capacity, minimum_us) for kind in PLANS}
        self.moving = False  # motion has been heard of anybody: until then nobody needs to be asked
        self.arrivals = ArrivalState.allocate(capacity)
        self.small_arrivals = SmallArrivalState.allocate(MAX_PERFORMERS)
        self.fusion = FusionState.allocate(capacity)
        self.small_fusion: FusionState = sized(FusionState, self.performer_table.size).allocate(MAX_PERFORMERS)
        for columns in self.columns().values():
            listeners.attach(columns)
        for columns in self.small_columns().values():
            listeners.attach(columns, small=True)

    def columns(self) -> dict[str, Columns]:
        """Every set of columns with one row a listener, by name."""
        return {"arrivals": self.arrivals, "fusion": self.fusion, **self._kernels(small=False)}

    def small_columns(self) -> dict[str, Columns]:
        """Every set of columns with one row a performer, by name."""
        return {"arrivals": self.small_arrivals, "fusion": self.small_fusion, **self._kernels(small=True)}

    def _kernels(self, *, small: bool) -> dict[str, Columns]:
        made: dict[str, Columns] = {}
        for c in self.channels.values():
            if c.plan.small is small:
                made |= {f"{c.plan.name}.grid": c.grid, f"{c.plan.name}.kernel": c.state}
                if c.waits is not None:
                    made[f"{c.plan.name} waits"] = c.waits
        return made

    def begin(self, row: int, listener: int, k: int) -> None:
        """A listener starts in this row after tick k: their turn among the refreshes follows from their number."""
        stride = fusion.stride_of(self.audience_settings, 1 / self.tick_hz)
        key = np.array([fusion.turn_key(listener, k, stride)], np.int64)
        fusion.begin(self.fusion, np.array([row]), key)
        slot = int(self.listeners.table.slot[row])
        if slot >= 0:
            fusion.begin(self.small_fusion, np.array([slot]), key)

    def process(self, taken: Taken) -> list[RowEvents]:
        """Run the kernels over a tick's samples, slow channels' wait; returns the body events that were decided."""
        made = []
        stamps = np.empty(self.listeners.capacity)
        stamps[taken.rows] = taken.stamp_ms * 1e-3
        for kind, samples in taken.samples.items():
            channel, rows = self.channels[Kind(kind)], samples.rows
            self.moving |= kind == Kind.MOTION
            if not channel.plan.small:
                getattr(self.arrivals, channel.plan.heard)[rows] = stamps[rows]
            if self.listeners.names:
                slot = self.listeners.table.slot[rows]
                getattr(self.small_arrivals, channel.plan.heard)[slot[slot >= 0]] = stamps[rows[slot >= 0]]
            events = channel.arrive(self.listeners.table.slot[rows] if channel.plan.small else rows, samples)
            if len(events.row) and channel.plan.event:
                made.append(channel.body(events, self.main_rows()[events.row] if channel.plan.small else events.row))
        return made

    def turns(self, turn: Callable[[int], bool]) -> list[RowEvents]:
        """Run the kernels of the slow channels whose turn it is: ``turn`` is asked with how many they have a second.
        Returns the body events that were decided."""
        made = []
        for channel in self.channels.values():
            if channel.plan.turns_hz and turn(channel.plan.turns_hz):
                events = channel.turn()
                if len(events.row) and channel.plan.event:
                    made.append(channel.body(events, events.row))
        return made

    def main_rows(self) -> Rows:
        """Main row of each performer's slot, -1 where free."""
        made = np.full(MAX_PERFORMERS, -1, np.intp)
        rows = np.flatnonzero(self.listeners.table.slot >= 0)
        made[self.listeners.table.slot[rows]] = rows
        return made

    def observe(
        self, *, live: Bools, rest: Bools, drift: Bools, now_ms: int, prior: Sequence[Mapping[str, float]]
    ) -> None:
        """Fuse what the kernels know at this tick, for every row that is computed."""
        dt_s = 1 / self.tick_hz
        if self.listeners.names:
            rows = self.main_rows()
            here = live[rows] & (rows >= 0)
            fusion.observe(
                self.small_fusion, self._performer_inputs(rows, now_ms), rest=rest[rows], drift=drift[rows],
                dt_s=dt_s, settings=self.performer_settings, table=self.performer_table, live=here,
            )  # fmt: skip
            live = live & (self.listeners.table.slot < 0)
        fusion.observe(
            self.fusion, lambda: self._inputs(slice(None), self.arrivals, now_ms), rest=rest, drift=drift,
            dt_s=dt_s, prior=self._prior(prior), settings=self.audience_settings, live=live,
        )  # fmt: skip

    def _prior(self, by_stream: Sequence[Mapping[str, float]]) -> Prior | None:
        """The scales that each listener's own stream was told, the table's where it was told none."""
        if not any(by_stream):
            return None
        names, default = AUDIENCE.names, AUDIENCE.prior_scale
        scale = np.array([[given.get(n, d) for n, d in zip(names, default, strict=True)] for given in by_stream])
        return Prior(scale, 1, self.listeners.table.shard)

    def _inputs(
        self,
        rows: slice | Rows,
        heard: ArrivalState,
        now_ms: int,
        more: Mapping[str, Reading] | None = None,
        more_age_s: Mapping[str, Floats] | None = None,
    ) -> FusionInputs:
        """What the audience's kernels know of these rows; ``heard`` lies in the order of the rows."""
        pulse, skin, warm, motion = (
            self.channels[k].state for k in (Kind.PULSE, Kind.SKIN, Kind.TEMPERATURE, Kind.MOTION)
        )
        now_s = now_ms * 1e-3
        moving = None
        if self.moving:
            moving = np.where(now_s - heard.motion_s < MOTION_FRESH_S, motion.movement[rows], np.nan)
        return audience_inputs(
            rate_bpm=pulse.rate_bpm[rows],
            rate_confidence=pulse.rate_confidence[rows],
            pulse_quality=pulse.quality[rows],
            amplitude=pulse.amplitude[rows],
            pulse_contact=pulse.contact[rows],
            pulse_age_s=now_s - heard.pulse_s,
            level_us=skin.level_us[rows],
            drive=skin.drive[rows],
            responses_per_min=skin.responses_per_min[rows],
            skin_quality=skin.quality[rows],
            skin_contact=skin.contact[rows],
            responder=skin.responder[rows],
            skin_age_s=now_s - heard.skin_s,
            celsius=warm.celsius[rows],
            temperature_weight=warm.weight[rows],
            temperature_quality=warm.quality[rows],
            temperature_age_s=now_s - heard.temperature_s,
            movement=moving,
            more=more,
            more_age_s=more_age_s,
        )

    def _performer_inputs(self, rows: Rows, now_ms: int) -> FusionInputs:
        """The performers' inputs, by slot; ``rows`` their main rows."""
        pulse, breath, muscle = (self.channels[k].state for k in (Kind.PULSE, Kind.BREATH, Kind.MUSCLE))
        heard = self.small_arrivals
        more = {
            "rmssd": Reading(pulse.rmssd_ms[rows], (pulse.rmssd_confidence[rows], pulse.contact[rows])),
            "breath_rate": Reading(breath.rate_per_min, (breath.quality,)),
            "breath_depth": Reading(breath.depth, (breath.quality,)),
            "muscle": Reading(muscle.envelope, (muscle.quality,)),
        }
        kinds = (Kind.BREATH, Kind.MUSCLE, *SCALARS)
        age_s = {PLANS[k].name: now_ms * 1e-3 - getattr(heard, PLANS[k].heard) for k in kinds}
        for kind in SCALARS:
            state = self.channels[kind].state
            more[PLANS[kind].name] = Reading(state.value, (state.quality,))
        return self._inputs(rows, heard, now_ms, more, age_s)

    def reading(self, n: int, rest: Bools) -> SeatReading:
        """What the seat states are decided from, for the first ``n`` rows."""
        whole, small = self.fusion, self.small_fusion
        ready = whole.baseline_stage[:n] > baseline.NONE
        arousal, confidence = whole.arousal[:n], whole.confidence[:n]
        if self.listeners.names:
            rows = self.main_rows()
            slots = np.flatnonzero(rows >= 0)
            rows, arousal, confidence = rows[slots], arousal.copy(), confidence.copy()
            ready[rows] = small.baseline_stage[slots] > baseline.NONE
            arousal[rows], confidence[rows] = small.arousal[slots], small.confidence[slots]
        return SeatReading(self._contact(n), ready, rest[:n], arousal, confidence)

    def _contact(self, n: int) -> Bools:
        """A finger on a pulse or skin sensor; a listener with neither of the two has no way to say."""
        pulse, skin = self.channels[Kind.PULSE].state, self.channels[Kind.SKIN].state
        contact: Bools = pulse.contact[:n] | skin.contact[:n]
        judged = np.isfinite(self.arrivals.pulse_s[:n]) | np.isfinite(self.arrivals.skin_s[:n])
        return contact | ~judged

    def features(self, rows: Rows) -> dict[str, Any]:
        """The columns of a FeatureView that come from kernels."""
        pulse, skin, warm = (self.channels[k].state for k in (Kind.PULSE, Kind.SKIN, Kind.TEMPERATURE))
        return {
            "pulse_rate_bpm": pulse.rate_bpm[rows],
            "pulse_quality": pulse.quality[rows],
            "skin_level_us": skin.level_us[rows],
            "skin_responses": skin.responses[rows],
            "temperature_c": warm.celsius[rows],
        }

    def channel_values(self, slot: int) -> dict[str, tuple[float, float]]:
        """A performer's channels against their own rest: (value 0..1, confidence) by feature name."""
        values = fusion.channel_values(self.small_fusion, slot, self.performer_table)
        given = dict(zip(SCALAR_NAMES, self.listeners.scalar_names.get(slot, ()), strict=False))
        return {given.get(name, name): v for name, v in values.items() if given.get(name) or name not in SCALAR_NAMES}

    def alike(self, rows: Rows | slice) -> tuple[Floats, Floats, Floats]:
        """Skin drive and pulse rate of the rows, (m, 2), their quality, and when each channel was last heard, s."""
        skin, pulse = self.channels[Kind.SKIN].state, self.channels[Kind.PULSE].state
        return (
            np.stack((skin.drive[rows], pulse.rate_bpm[rows]), axis=1),
            np.stack((skin.quality[rows], pulse.rate_confidence[rows]), axis=1),
            np.stack((self.arrivals.skin_s[rows], self.arrivals.pulse_s[rows]), axis=1),
        )

    def disturbed(self, rows: slice) -> Bools:
        """Where skin drive and pulse rate, (m, 2), are not the listener's at present: fusion holds the whole listener
        (movement, a hand that claps or lets go), or trusts this feature not at all although it knows its baseline (a
        pulse wave that leaps, as under stage light)."""
        state = self.fusion
        known, trust = state.own_trust[rows][:, _ALIKE] > 0.0, state.trust[rows][:, _ALIKE]
        held: Bools = (state.artefact_s[rows] > 0.0)[:, None] | (known & (trust <= 0.0))
        return held

    def resume(self) -> None:
        """After columns were loaded: what is known from them and kept beside them."""
        self.moving = bool(np.isfinite(self.arrivals.motion_s).any() or np.isfinite(self.small_arrivals.motion_s).any())

    def undo_rest(self, rows: Rows) -> None:
        """Back to the resting baseline before the last one."""
        baseline.undo(self.fusion, rows, self.audience_settings.baseline)
        slots = self.listeners.table.slot[rows]
        baseline.undo(self.small_fusion, slots[slots >= 0], self.performer_settings.baseline)

    def load_rest(self, slot: int, values: Mapping[str, Sequence[float]]) -> bool:
        """Put a saved baseline in place: feature name -> [location, log_scale, seconds]. False when unusable."""
        try:
            if not all(
                len(v) == 3 and abs(v[0]) < 1e6 and abs(v[1]) < LOG_SCALE_LIMIT and v[2] > 0 for v in values.values()
            ):
                return False
            baseline.load(self.small_fusion, slot, values, self.performer_table, self.performer_settings.baseline)
        except (TypeError, ValueError, AttributeError):
            return False
        return True

    def save_rest(self, name: str) -> dict[str, list[float]]:
        """A performer's proper baseline for another day (a Baseline entry's ``values``); empty when there is none."""
        slots = [slot for slot, known in self.listeners.names.items() if known == name]
        return baseline.save(self.small_fusion, slots[0], self.performer_table) if slots else {}

    def prior_summary(self, rows: Rows) -> tuple[dict[str, float], dict[str, float]] | None:
        """Location and scale of the house by feature; None while too few have a proper baseline."""
        made = baseline.prior_summary(self.fusion, rows, AUDIENCE)
        if not made.counted:
            return None
        scale = {name: float(s) for name, s in zip(AUDIENCE.names, made.scale, strict=True)}
        return dict.fromkeys(AUDIENCE.names, 0.0), scale

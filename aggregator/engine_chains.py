"""The kernels in order: samples onto grids, grids through kernels, features into fused arousal. Pure.

One set of columns a channel, a row a listener; breath, muscle and scalars only in the performers' small table, so that
the audience does not pay for them.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from aggregator.dsp import baseline, fusion
from aggregator.dsp.baseline import BaselineSettings, Prior, sized
from aggregator.dsp.columns import Bools, Columns, Floats, Ints, Rows, column
from aggregator.dsp.features import AUDIENCE, FusionInputs, Reading, audience_inputs, performer_table
from aggregator.dsp.fusion import FusionSettings, FusionState
from aggregator.dsp.grid import Events, GridBlock
from aggregator.dsp.resample import GridState, Mode, resample
from aggregator.engine_view import RowEvents
from aggregator.intake import Samples, Taken
from aggregator.listeners import MAX_PERFORMERS, Kind, Listeners, Role
from aggregator.states import Reading as SeatReading

NEVER_MS = -(1 << 60)  # so long ago that every age is beyond every limit


@dataclass(frozen=True, slots=True)
class ChainSettings:
    """``rest_s``: length of the resting baseline; ``skin_response_minimum_us``: smallest response counted."""

    rest_s: float = 120.0
    skin_response_minimum_us: float = 0.05


@dataclass(slots=True)
class ArrivalState(Columns):
    """When each channel was last heard, stamps in ms."""

    pulse_ms: Ints = column(doc="newest pulse sample", dtype=np.int64, fill=NEVER_MS)
    skin_ms: Ints = column(doc="newest skin sample", dtype=np.int64, fill=NEVER_MS)
    temperature_ms: Ints = column(doc="newest temperature sample", dtype=np.int64, fill=NEVER_MS)
    motion_ms: Ints = column(doc="newest motion sample", dtype=np.int64, fill=NEVER_MS)
    breath_ms: Ints = column(doc="newest breath sample", dtype=np.int64, fill=NEVER_MS)
    muscle_ms: Ints = column(doc="newest muscle sample", dtype=np.int64, fill=NEVER_MS)
    scalar_ms: Ints = column(doc="newest scalar sample", dtype=np.int64, fill=NEVER_MS)


@dataclass(slots=True)
class Channel:
    """One kernel with its grid: ``small`` ones have a row a performer. ``event`` names its body events."""

    name: str
    hz: int
    mode: Mode
    grid: GridState
    state: Any
    update: Callable[..., Events]
    small: bool = False
    event: str = ""


def _kernel(module: str, state: str) -> tuple[Any, Any]:
    """TEMPORARY until every kernel has landed."""
    try:
        found = importlib.import_module(f"aggregator.dsp.{module}")
        return getattr(found, state), found.update
    except (ImportError, AttributeError):
        return None, None


class Chains:
    """Every kernel's columns and the order they run in."""

    def __init__(self, listeners: Listeners, settings: ChainSettings, tick_hz: float) -> None:
        self.listeners = listeners
        self.tick_hz = tick_hz
        self.arrivals = ArrivalState.allocate(listeners.capacity)
        resting = BaselineSettings(rest_s=round(settings.rest_s))
        self.audience_settings = FusionSettings(baseline=resting)
        self.performer_settings = FusionSettings(baseline=resting, hold_movement=fusion.PERFORMER.hold_movement)
        self.performer_table = performer_table(("scalar",))
        self.fusion = FusionState.allocate(listeners.capacity)
        self.small_fusion: FusionState = sized(FusionState, self.performer_table.size).allocate(MAX_PERFORMERS)
        self.channels: dict[Kind, Channel] = {}
        for name, kind, hz, mode, module, state, small, event in (
            ("pulse", Kind.PULSE, 64, "linear", "pulse", "PulseState", False, "beat"),
            ("skin", Kind.SKIN, 8, "mean", "electrodermal", "SkinState", False, "response"),
            ("temperature", Kind.TEMPERATURE, 1, "mean", "temperature", "TemperatureState", False, ""),
        ):
            made, update = _kernel(module, state)
            if made is not None:
                size = MAX_PERFORMERS if small else listeners.capacity
                self.channels[kind] = Channel(
                    name, hz, mode, GridState.allocate(size), made.allocate(size), update, small, event
                )
        for columns in (self.arrivals, self.fusion):
            listeners.attach(columns)
        listeners.attach(self.small_fusion, small=True)
        for channel in self.channels.values():
            listeners.attach(channel.grid, small=channel.small)
            listeners.attach(channel.state, small=channel.small)

    def columns(self) -> dict[str, Columns]:
        """Every set of columns with one row a listener, by name."""
        made: dict[str, Columns] = {"arrivals": self.arrivals, "fusion": self.fusion}
        for c in self.channels.values():
            if not c.small:
                made[f"{c.name}.grid"], made[f"{c.name}.kernel"] = c.grid, c.state
        return made

    def small_columns(self) -> dict[str, Columns]:
        """Every set of columns with one row a performer, by name."""
        made: dict[str, Columns] = {"small_fusion": self.small_fusion}
        for c in self.channels.values():
            if c.small:
                made[f"{c.name}.grid"], made[f"{c.name}.kernel"] = c.grid, c.state
        return made

    def begin(self, row: int, listener: int) -> None:
        """A listener starts in this row: their turn among the refreshes follows from their number alone."""
        key = np.array([listener % (1 << 62)], np.int64)
        fusion.begin(self.fusion, np.array([row]), key)
        slot = int(self.listeners.table.slot[row])
        if slot >= 0:
            fusion.begin(self.small_fusion, np.array([slot]), key)

    def process(self, taken: Taken) -> list[RowEvents]:
        """Run every kernel over a tick's samples; returns the body events that were decided."""
        made = []
        stamps = np.zeros(self.listeners.capacity, np.int64)
        stamps[taken.rows] = taken.stamp_ms
        for kind, samples in sorted(taken.samples.items()):
            channel = self.channels.get(Kind(kind))
            if channel is None:
                continue
            getattr(self.arrivals, f"{channel.name}_ms")[samples.rows] = stamps[samples.rows]
            rows = self.listeners.table.slot[samples.rows] if channel.small else samples.rows
            events = self._run(channel, rows, samples)
            if len(events.row) and channel.event:
                made.append(self._body(channel, events))
        return made

    def _run(self, channel: Channel, rows: Rows, samples: Samples) -> Events:
        blocks = self._resample(channel, rows, samples)
        return Events.join([channel.update(channel.state, block) for block in blocks])

    def _resample(self, channel: Channel, rows: Rows, samples: Samples) -> list[GridBlock]:
        return resample(
            channel.grid, rows, samples.first, samples.count, samples.time_us, samples.value, samples.jumped,
            grid_hz=channel.hz, mode=channel.mode,
        )  # fmt: skip

    def _body(self, channel: Channel, events: Events) -> RowEvents:
        time_us = channel.grid.origin_us[events.row] + events.index * (1e6 / channel.hz)
        row = self._main_rows()[events.row] if channel.small else events.row
        return RowEvents(channel.event, row, time_us, events.value)

    def _main_rows(self) -> Rows:
        """Main row of each performer's slot, -1 where free."""
        made = np.full(MAX_PERFORMERS, -1, np.intp)
        rows = np.flatnonzero(self.listeners.table.slot >= 0)
        made[self.listeners.table.slot[rows]] = rows
        return made

    def observe(
        self, *, live: Bools, rest: Bools, drift: Bools, now_ms: int,
        prior: list[dict[str, float]],
    ) -> None:  # fmt: skip
        """Fuse what the kernels know at this tick, for every row that is computed."""
        inputs = self._inputs(now_ms)
        fusion.observe(
            self.fusion, inputs, rest=rest, drift=drift, dt_s=1 / self.tick_hz, prior=self._prior(prior),
            settings=self.audience_settings, live=live,
        )  # fmt: skip

    def _prior(self, by_stream: list[dict[str, float]]) -> Prior | None:
        if not any(by_stream):
            return None
        scale = np.array([
            [given.get(name, default) for name, default in zip(AUDIENCE.names, AUDIENCE.prior_scale, strict=True)]
            for given in by_stream
        ])  # fmt: skip
        return Prior(scale, 1, self.listeners.table.shard)

    def _age_s(self, name: str, now_ms: int) -> Floats:
        return (now_ms - getattr(self.arrivals, f"{name}_ms")) * 1e-3

    def _inputs(self, now_ms: int) -> FusionInputs:
        n = self.listeners.capacity
        nothing, zero, no = np.full(n, np.nan), np.zeros(n), np.zeros(n, np.bool_)
        pulse = self.channels.get(Kind.PULSE)
        skin = self.channels.get(Kind.SKIN)
        warm = self.channels.get(Kind.TEMPERATURE)
        return audience_inputs(
            rate_bpm=pulse.state.rate_bpm if pulse else nothing,
            rate_confidence=pulse.state.rate_confidence if pulse else zero,
            pulse_quality=pulse.state.quality if pulse else zero,
            amplitude=pulse.state.amplitude if pulse else nothing,
            pulse_contact=pulse.state.contact if pulse else no,
            pulse_age_s=self._age_s("pulse", now_ms),
            level_us=skin.state.level_us if skin else nothing,
            drive=skin.state.drive if skin else nothing,
            responses_per_min=skin.state.responses_per_min if skin else nothing,
            skin_quality=skin.state.quality if skin else zero,
            skin_contact=skin.state.contact if skin else no,
            responder=skin.state.responder if skin else no,
            skin_age_s=self._age_s("skin", now_ms),
            celsius=warm.state.celsius if warm else nothing,
            temperature_weight=warm.state.weight if warm else zero,
            temperature_quality=warm.state.quality if warm else zero,
            temperature_age_s=self._age_s("temperature", now_ms),
        )

    def reading(self, n: int, rest: Bools) -> SeatReading:
        """What the seat states are decided from, for the first ``n`` rows."""
        return SeatReading(
            contact=self._contact()[:n],
            ready=self.fusion.baseline_stage[:n] > baseline.NONE,
            resting=rest[:n],
            arousal=self.fusion.arousal[:n],
            confidence=self.fusion.confidence[:n],
        )

    def _contact(self) -> Bools:
        """A finger on a pulse or skin sensor; a listener with neither of the two has no way to say."""
        contact = np.zeros(self.listeners.capacity, np.bool_)
        judged = np.zeros(self.listeners.capacity, np.bool_)
        for kind in (Kind.PULSE, Kind.SKIN):
            channel = self.channels.get(kind)
            if channel is not None:
                contact |= channel.state.contact
                judged |= getattr(self.arrivals, f"{channel.name}_ms") > NEVER_MS
        return contact | ~judged

    def fused(self, rows: Rows) -> tuple[Floats, Floats]:
        """Arousal and confidence as fused, whatever the seat's state."""
        return self.fusion.arousal[rows], self.fusion.confidence[rows]

    def features(self, rows: Rows) -> dict[str, Any]:
        """The columns of a FeatureView that come from kernels."""
        nothing = np.full(len(rows), np.nan)
        pulse = self.channels.get(Kind.PULSE)
        skin = self.channels.get(Kind.SKIN)
        warm = self.channels.get(Kind.TEMPERATURE)
        return {
            "pulse_rate_bpm": pulse.state.rate_bpm[rows] if pulse else nothing,
            "pulse_quality": pulse.state.quality[rows] if pulse else nothing,
            "skin_level_us": skin.state.level_us[rows] if skin else nothing,
            "skin_responses": skin.state.responses[rows] if skin else np.zeros(len(rows), np.int64),
            "temperature_c": warm.state.celsius[rows] if warm else nothing,
        }

    def channel_values(self, slot: int) -> dict[str, tuple[float, float]]:
        """A performer's channels against their own rest: (value 0..1, confidence) by feature name."""
        values = fusion.channel_values(self.small_fusion, slot, self.performer_table)
        scalar = self.listeners.scalar_names.get(slot)
        return {scalar if name == "scalar" and scalar else name: v for name, v in values.items()}

    def alike(self, rows: slice) -> tuple[Floats, Floats, Ints]:
        """Skin drive and pulse rate of the rows, (m, 2), their quality, and when each channel was last heard, ms."""
        skin, pulse = self.channels[Kind.SKIN].state, self.channels[Kind.PULSE].state
        return (
            np.stack((skin.drive[rows], pulse.rate_bpm[rows]), axis=1),
            np.stack((skin.quality[rows], pulse.rate_confidence[rows]), axis=1),
            np.stack((self.arrivals.skin_ms[rows], self.arrivals.pulse_ms[rows]), axis=1),
        )

    def undo_rest(self, rows: Rows) -> None:
        """Back to the resting baseline before the last one."""
        baseline.undo(self.fusion, rows, self.audience_settings.baseline)
        slots = self.listeners.table.slot[rows]
        baseline.undo(self.small_fusion, slots[slots >= 0], self.performer_settings.baseline)

    def load_rest(self, slot: int, values: Mapping[str, list[float]]) -> bool:
        """Put a saved baseline in place: feature name -> [location, log_scale, seconds]. False when unusable."""
        try:
            baseline.load(self.small_fusion, slot, values, self.performer_table, self.performer_settings.baseline)
        except (TypeError, ValueError):
            return False
        return True

    def prior_summary(self, rows: Rows) -> tuple[dict[str, float], dict[str, float]] | None:
        """Location and scale of the house by feature; None while too few have a proper baseline."""
        made = baseline.prior_summary(self.fusion, rows, AUDIENCE)
        if not made.counted:
            return None
        scale = {name: float(s) for name, s in zip(AUDIENCE.names, made.scale, strict=True)}
        return dict.fromkeys(AUDIENCE.names, 0.0), scale


_KEEP = (Role, Reading)

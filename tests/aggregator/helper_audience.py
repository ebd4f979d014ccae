"""The simulated audience straight through the kernels and the fusion: wave forms in, the house's arousal out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator import house
from aggregator.dsp import electrodermal, fusion, motion, pulse, temperature
from aggregator.dsp.baseline import BaselineSettings
from aggregator.dsp.columns import Floats
from aggregator.dsp.features import FusionInputs, audience_inputs
from aggregator.dsp.fusion import FusionSettings, FusionState
from aggregator.dsp.grid import GridBlock
from loadtest.people import Traits
from loadtest.physiology import CHANNELS, Audience
from loadtest.programme import EveningPart, Happening, Moment, Programme

REST_S = 40
STEP_S = 0.25
SETTINGS = FusionSettings(baseline=BaselineSettings(rest_s=REST_S))
SCALE = {c.name: c.scale for c in CHANNELS}


def evening(length_s: float, *moments: Moment) -> Programme:
    """A rest of 44 s, then a piece with these moments."""
    parts = (EveningPart(0.0, "rest", "Rest"), EveningPart(REST_S + 4.0, "piece", "Piece"))
    return Programme("A test", length_s, parts, moments)


def with_happening(kind: str, start_s: float, stop_s: float) -> Programme:
    """An evening in which nothing is felt and something else happens in the hall."""
    return evening(stop_s + 30.0).with_happenings(Happening(kind, start_s, stop_s))


@dataclass(frozen=True)
class Heard:
    """Per 0.25 s: ``house`` (t,), ``arousal`` and ``confidence`` (t, n); ``truth`` (t,) what the house felt; ``good``
    (n,) sensors without a fault."""

    t_s: Floats
    house: Floats
    arousal: Floats
    confidence: Floats
    truth: Floats
    good: NDArray[np.bool_]


def _block(x: NDArray[np.int16], first: int, name: str, restart: bool) -> GridBlock:
    n, count = x.shape
    values = np.ascontiguousarray(x.T * SCALE[name], dtype=np.float64)
    every = np.full(n, count, np.int64)
    return GridBlock(
        np.arange(n), every, np.full(n, first, np.int64), np.full(n, restart), values, np.ones(x.T.shape, np.bool_)
    )


def hear(n: int, programme: Programme, *, traits: Traits, seed: int = 1, moving: bool = False) -> Heard:
    """Play the programme to ``n`` listeners; ``moving``: their phones send motion."""
    audience = Audience(n, seed, programme, traits=traits, motion=moving)
    kernels = _Kernels(n)
    state = FusionState.allocate(n)
    fusion.begin(state, np.arange(n), np.arange(n))
    every = np.ones(n, np.bool_)
    shown, arousal, confidence = [], [], []
    t_s: Floats = np.arange(round(programme.length_s / STEP_S), dtype=np.float64) * STEP_S
    for now_s in t_s.tolist():
        inputs = kernels.step(audience, first=now_s == 0.0)
        rest = every & (programme.part_at(now_s).part == "rest")
        fusion.observe(state, inputs, rest=rest, drift=~every, dt_s=STEP_S, settings=SETTINGS)
        weights, sums, _ = house.section_histograms(
            2.0 * state.arousal - 1.0, state.confidence, np.zeros(n, np.int64), 1
        )
        shown.append(house.estimate(weights, sums).arousal[0])
        arousal.append(state.arousal.copy())
        confidence.append(state.confidence.copy())
    good = (audience.people.fault == 0) & ~audience.people.loose
    return Heard(t_s, np.array(shown), np.array(arousal), np.array(confidence), audience.truth_house(t_s), good)


class _Kernels:
    def __init__(self, n: int) -> None:
        self.n = n
        self.pulse = pulse.PulseState.allocate(n)
        self.skin = electrodermal.SkinState.allocate(n)
        self.warmth = temperature.TemperatureState.allocate(n)
        self.motion = motion.MotionState.allocate(n)

    def step(self, audience: Audience, *, first: bool) -> FusionInputs:
        s = audience.advance(STEP_S)
        pulse.update(self.pulse, _block(s.pulse, s.pulse_first, "pulse", first))
        electrodermal.update(self.skin, _block(s.skin, s.skin_first, "skin", first))
        if s.temperature.shape[1]:
            temperature.update(self.warmth, _block(s.temperature, s.temperature_first, "temperature", first))
        if s.motion is not None:
            motion.update(self.motion, _block(s.motion, s.motion_first, "motion", first))
        fresh = np.zeros(self.n)
        return audience_inputs(
            rate_bpm=self.pulse.rate_bpm,
            rate_confidence=self.pulse.rate_confidence,
            pulse_quality=self.pulse.quality,
            amplitude=self.pulse.amplitude,
            pulse_contact=self.pulse.contact,
            pulse_age_s=fresh,
            level_us=self.skin.level_us,
            drive=self.skin.drive,
            responses_per_min=self.skin.responses_per_min,
            skin_quality=self.skin.quality,
            skin_contact=self.skin.contact,
            responder=self.skin.responder,
            skin_age_s=fresh,
            celsius=self.warmth.celsius,
            temperature_weight=self.warmth.weight,
            temperature_quality=self.warmth.quality,
            temperature_age_s=fresh,
            movement=self.motion.movement,
        )

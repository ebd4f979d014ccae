"""Simulated listeners: pulse, skin conductance, temperature and motion wave forms, with every truth kept. Pure.

What a listener feels is ``felt(t) = size * d(t - delay) + wander(t)`` in units where 0 is rest and 1 a strong moment.
Each signal shows it with that listener's own gain. All signals are functions of (seed, listener, time): one listener
alone gives the same samples as among thousands, in chunks of any size, in any order of asking.

    pulse rate   rest + gain * felt + sinus arrhythmia; its integral is the pulse's phase
    pulse        a periodic template (systolic peak, dicrotic bump) of that phase; amplitude falls as felt rises
    skin         tonic level + sum of Bateman responses, more of them as felt rises
    temperature  level - gain * felt behind a 15 s lag

Shapes and rates are of the size that REFERENCES of the field give (Boucsein 2012; Dawson, Schell & Filion); they are a
test signal, not a model of physiology.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loadtest import artefacts
from loadtest.people import Floats, Keys, People, Traits, people, uniform
from loadtest.programme import Programme
from loadtest.shapes import (
    SYSTOLIC_PEAK_TURN,
    TAU_FALL_S,
    TAU_RISE_S,
    TEMPLATE,
    TEMPLATE_STEPS,
    bateman_peak_s,
)
from relay.entries import Channel

Ints = NDArray[np.int64]

CHANNELS = (
    Channel("pulse", 64.0, "raw", 1.0, 0.0),
    Channel("skin", 8.0, "uS", 0.001, 0.0),
    Channel("temperature", 1.0, "C", 0.01, 0.0),
    Channel("motion", 16.0, "m/s2", 0.00980665, 0.0),
)
PULSE_HZ, SKIN_HZ, TEMPERATURE_HZ, MOTION_HZ = 64, 8, 1, 16
KNOT_HZ = 8  # phase, amplitude and disturbances are computed here and interpolated: they change over seconds
CELL_S = 1.0  # at most one skin response begins in each second: up to 60 a minute
EPOCH_CELLS = 32  # responses older than 32 s have decayed to e**-12 of their size
MOST_RESPONSES_A_MINUTE = 24.0  # "> 20 when aroused" (Dawson, Schell & Filion, as in REFERENCES: from memory)
NOISE_STEPS = 1 << 16
ROOM_C = 21.0


@dataclass(frozen=True, slots=True)
class Signals:
    """Samples of all asked listeners between two times, int16 in CHANNELS' scales, shape (rows, samples) each.

    Sample j of a channel was taken at ``(first + j) / rate`` seconds. ``*_first`` are sample numbers since time 0.
    """

    pulse: NDArray[np.int16]
    skin: NDArray[np.int16]
    temperature: NDArray[np.int16]
    motion: NDArray[np.int16] | None
    pulse_first: int
    skin_first: int
    temperature_first: int
    motion_first: int


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of every listener at one time, shape (n,) each. ``disturbed``: moving, slipped or a bad sensor."""

    t_s: float
    felt: Floats
    pulse_rate_bpm: Floats
    skin_level_us: Floats
    temperature_c: Floats
    contact: NDArray[np.bool_]
    online: NDArray[np.bool_]
    disturbed: NDArray[np.bool_]


class Audience:
    """A house of simulated listeners.

    Args:
        listeners: how many (numbered 0..), or their numbers.
        seed: everything follows from it and the listener's number.
        roles: a name of ROLES a listener; all ``audience`` when left out.
        rows: positions among the listeners, in every method.
    """

    def __init__(
        self,
        listeners: int | Sequence[int],
        seed: int,
        programme: Programme,
        *,
        traits: Traits | None = None,
        roles: Sequence[str] | None = None,
        motion: bool = False,
    ) -> None:
        numbers = np.arange(listeners) if isinstance(listeners, int) else np.asarray(listeners, np.int64)
        self.numbers: Ints = numbers.astype(np.int64)
        self.programme, self.seed, self.motion = programme, seed, motion
        programme.prepare()
        self.traits = traits or Traits()
        self.roles = tuple(roles) if roles is not None else ("audience",) * len(numbers)
        self.people: People = people(seed, self.numbers, self.roles, self.traits)
        self.channels = CHANNELS if motion else CHANNELS[:3]
        self._noise = np.random.default_rng(0).standard_normal(NOISE_STEPS).astype(np.float32)
        self._sway = _smooth(self._noise)
        self._now_s = 0.0
        self._epochs: dict[int, tuple[Floats, Floats]] = {}

    def __len__(self) -> int:
        return len(self.numbers)

    def advance(self, dt_s: float) -> Signals:
        """Everyone's next ``dt_s`` seconds (a clock kept between calls)."""
        start_s, self._now_s = self._now_s, self._now_s + dt_s
        return self.signals(start_s, self._now_s)

    def signals(self, t0_s: float, t1_s: float, rows: NDArray[np.intp] | None = None) -> Signals:
        """The samples taken at t0 <= time < t1. Cost: about 10 microseconds per listener-second."""
        who = np.arange(len(self)) if rows is None else np.asarray(rows)
        p = _rows(self.people, who)
        knots, t_s = _grid(t0_s, t1_s, KNOT_HZ, spare=1)
        moving = artefacts.moving(p, self.traits, self.programme, t_s)
        touching = artefacts.contact(p, self.programme, t_s)
        pulse_first, pulse_at = _grid(t0_s, t1_s, PULSE_HZ)
        motion_first, motion_at = _grid(t0_s, t1_s, MOTION_HZ)
        skin_first, skin_at = _grid(t0_s, t1_s, SKIN_HZ)
        slow_first, slow_at = _grid(t0_s, t1_s, TEMPERATURE_HZ)
        here = slice(skin_first - knots, skin_first - knots + len(skin_at))
        return Signals(
            self._pulse(p, t_s, pulse_at, pulse_first, knots, moving, touching),
            self._skin(p, who, skin_at, skin_first, moving[:, here], touching[:, here]),
            self._temperature(p, slow_at),
            self._motion(p, motion_at, motion_first) if self.motion else None,
            pulse_first,
            skin_first,
            slow_first,
            motion_first,
        )

    # -- truth -------------------------------------------------------------------------------------------------

    def felt(self, t_s: Floats, rows: NDArray[np.intp] | None = None) -> Floats:
        """What each listener feels at times (k,), shape (rows, k); 0 is rest, 1 a strong moment."""
        return self._felt(self.people if rows is None else _rows(self.people, np.asarray(rows)), t_s)

    def pulse_rate_bpm(self, t_s: Floats, rows: NDArray[np.intp] | None = None) -> Floats:
        """True pulse rates at times (k,), shape (rows, k): the slope of the pulse's phase."""
        p = self.people if rows is None else _rows(self.people, np.asarray(rows))
        half_s = 0.5 / KNOT_HZ
        return (self._beats(p, t_s + half_s) - self._beats(p, t_s - half_s)) * 60.0 / (2 * half_s)

    def beat_times_s(self, row: int, t0_s: float, t1_s: float) -> Floats:
        """Times of one listener's systolic peaks in [t0, t1)."""
        p = _rows(self.people, np.array([row]))
        _, t_s = _grid(t0_s - 1.0, t1_s + 1.0, KNOT_HZ, spare=1)
        beats = self._beats(p, t_s)[0]
        whole = np.arange(np.ceil(beats[0]), beats[-1]) + SYSTOLIC_PEAK_TURN
        made: Floats = np.interp(whole, beats, t_s)
        return made[(made >= t0_s) & (made < t1_s)]

    def responses(self, row: int, t0_s: float, t1_s: float) -> tuple[Floats, Floats]:
        """One listener's skin responses with onset in [t0, t1): onsets in seconds, amplitudes in microsiemens."""
        p = _rows(self.people, np.array([row]))
        onset_s, size = self._responses(p, np.arange(int(t0_s // CELL_S), int(np.ceil(t1_s / CELL_S))))
        keep = (size[0] > 0) & (onset_s[0] >= t0_s) & (onset_s[0] < t1_s)
        return onset_s[0][keep], size[0][keep]

    def online(self, t_s: float) -> NDArray[np.bool_]:
        """Whose phone is there, shape (n,)."""
        made: NDArray[np.bool_] = artefacts.online(self.people, self.traits, np.array([t_s]))[:, 0]
        return made

    def truth(self, t_s: float) -> Truth:
        """Every listener's truth at one time."""
        at, p = np.array([t_s]), self.people
        touching = artefacts.contact(p, self.programme, at)[:, 0]
        moves = artefacts.moving(p, self.traits, self.programme, at)[:, 0] > 0
        return Truth(
            t_s,
            self.felt(at)[:, 0],
            self.pulse_rate_bpm(at)[:, 0],
            self._level(p, at)[:, 0],
            self._warmth(p, at)[:, 0],
            touching,
            self.online(t_s),
            moves | ~touching | (p.fault > 0),
        )

    def truth_house(self, t_s: float | Floats) -> Floats:
        """Mean of what the audience (not performers, not blanks) feels, at a time or at times (k,)."""
        rows = np.flatnonzero(self.people.role == 0)
        at = np.atleast_1d(np.asarray(t_s, np.float64))
        made: Floats = self.felt(at, rows).mean(axis=0) if len(rows) else np.zeros(len(at))
        return made[0] if np.ndim(t_s) == 0 else made

    # -- signals -----------------------------------------------------------------------------------------------

    def _felt(self, p: People, t_s: Floats) -> Floats:
        wander = np.sin(2 * np.pi * (p.wander_hz[:, None] * t_s + p.wander_turn[:, None]))
        drive = self.programme.drive(t_s - p.delay_s[:, None])
        made: Floats = np.where(
            (p.role != 2)[:, None], p.felt_size[:, None] * drive + p.wander_size[:, None] * wander, 0.0
        )
        return made

    def _beats(self, p: People, t_s: Floats) -> Floats:
        """Beats since time 0 (the integral of rate/60), shape (n, k): a closed form, so no state is kept."""
        late = t_s - p.delay_s[:, None]
        felt = p.felt_size[:, None] * self.programme.drive_integral(late)
        turn = 2 * np.pi * p.wander_hz[:, None]
        wave = np.cos(turn * t_s + 2 * np.pi * p.wander_turn[:, None])
        felt -= p.wander_size[:, None] * wave / turn
        breath = 2 * np.pi * p.breath_hz[:, None]
        sinus = -np.cos(breath * t_s + 2 * np.pi * p.breath_turn[:, None]) / breath
        beats = p.rate_bpm[:, None] * t_s + p.rate_gain_bpm[:, None] * felt + p.sinus_bpm[:, None] * sinus
        made: Floats = beats / 60.0 + p.start_beats[:, None]
        return made

    def _pulse(
        self, p: People, t_s: Floats, at_s: Floats, first: int, knots: int, moving: Floats, touching: NDArray[np.bool_]
    ) -> NDArray[np.int16]:
        breath = np.sin(2 * np.pi * (p.breath_hz[:, None] * t_s + p.breath_turn[:, None]))
        shown = np.clip(p.pulse_gain[:, None] * self._felt(p, t_s), -0.5, 0.8)
        alive = (touching & (p.fault != 1)[:, None]).astype(np.float64)
        counts = p.pulse_counts[:, None]
        size = counts * (1.0 - shown) * (1.0 + 0.06 * breath) * alive
        lift = 0.25 * counts * breath * alive - 8000.0 * ~touching
        position = (at_s * KNOT_HZ) - knots
        cell = np.minimum(position.astype(np.intp), max(len(t_s) - 2, 0))
        weight = position - cell
        turns = _between(self._beats(p, t_s), cell, weight)
        wave = TEMPLATE[(np.mod(turns, 1.0) * TEMPLATE_STEPS).astype(np.intp)]
        made = wave * _between(size, cell, weight) + _between(lift, cell, weight)
        made += (
            self._hiss(p.key, 60, first, len(at_s))
            * (12.0 * self.traits.noise * (1.0 + 30.0 * (p.fault == 1)))[:, None]
        )
        if moving.any():
            sway = self._sway_at(p.key, 61, first, len(at_s))
            step = 2.0 * artefacts.clapping(self.programme, at_s)
            made += _between(moving, cell, weight) * (2.5 * counts) * (sway + step)
        made += (p.leak * 1500.0)[:, None] * artefacts.show_light(self.programme, at_s)
        made += (p.bass * 600.0)[:, None] * artefacts.show_bass(self.programme, at_s)
        made[p.fault == 2] = 120.0
        return np.clip(np.rint(made + 4000.0), -32767, 32767).astype(np.int16)

    def _level(self, p: People, t_s: Floats) -> Floats:
        made: Floats = p.skin_us[:, None] * np.exp(p.skin_gain[:, None] * self._felt(p, t_s))
        return made

    def _skin(
        self, p: People, who: NDArray[np.intp], at_s: Floats, first: int, moving: Floats, touching: NDArray[np.bool_]
    ) -> NDArray[np.int16]:
        level = self._level(p, at_s) + self._phasic(who, at_s)
        level *= artefacts.electrode_step(p, self.programme, at_s)
        level[p.role == 2] = 0.0
        hiss = self._hiss(p.key, 62, first, len(at_s)) * (0.002 * self.traits.noise)
        if moving.any():
            level += moving * 0.08 * level * self._sway_at(p.key, 63, first, len(at_s))
        level = np.where(touching, level, 0.01)
        level[p.fault == 1] = 0.5 + 10 * np.abs(hiss[p.fault == 1])
        level[p.fault == 2] = 0.12
        made = level + np.where((p.fault == 2)[:, None], 0.0, hiss)
        return np.clip(np.rint(made * 1000.0), 0, 32767).astype(np.int16)

    def _temperature(self, p: People, at_s: Floats) -> NDArray[np.int16]:
        made = np.where((p.role == 2)[:, None], ROOM_C, self._warmth(p, at_s))
        return np.rint(made * 100.0).astype(np.int16)

    def _warmth(self, p: People, t_s: Floats) -> Floats:
        lagged = self.programme.drive_lagged(t_s - p.delay_s[:, None])
        made: Floats = p.temperature_c[:, None] - p.temperature_gain_c[:, None] * p.felt_size[:, None] * lagged
        return made

    def _motion(self, p: People, at_s: Floats, first: int) -> NDArray[np.int16]:
        moving = artefacts.moving(p, self.traits, self.programme, at_s)
        step = np.abs(artefacts.clapping(self.programme, at_s))
        shake = self._sway_at(p.key, 64, first, len(at_s))
        made = 1.0 + 0.003 * self._hiss(p.key, 65, first, len(at_s)) + moving * (0.35 * shake + 0.4 * step)
        made += 0.02 * artefacts.show_bass(self.programme, at_s)
        return np.clip(np.rint(made * 1000.0), -32767, 32767).astype(np.int16)

    # -- skin responses ----------------------------------------------------------------------------------------

    def _responses(self, p: People, cells: Ints) -> tuple[Floats, Floats]:
        """Onsets and amplitudes (0: none) of the responses that begin in each cell, shape (n, cells)."""
        start_s = np.asarray(cells * CELL_S, np.float64)
        k = p.key[:, None]
        felt = np.maximum(self._felt(p, start_s + CELL_S / 2), 0.0)
        rest = p.spontaneous_a_minute[:, None]
        chance = (rest + (MOST_RESPONSES_A_MINUTE - rest) * np.minimum(felt, 1.0)) * CELL_S / 60.0
        begins = uniform(k, 70, cells) < chance
        onset_s = start_s + CELL_S * uniform(k, 71, cells)
        size = p.skin_response_us[:, None] * (0.5 + uniform(k, 72, cells)) * (0.6 + 0.8 * np.minimum(felt, 1.0))
        for moment in self.programme.moments:
            at_s = moment.onset_s + p.delay_s[:, None]
            hit = (np.floor(at_s / CELL_S).astype(np.int64) == cells) & (p.role != 2)[:, None]
            begins |= hit
            onset_s = np.where(hit, at_s, onset_s)
            size = np.where(hit, p.skin_response_us[:, None] * p.felt_size[:, None] * 1.2 * moment.strength, size)
        begins &= cells >= 0
        return onset_s, np.where(begins, size, 0.0)

    def _phasic(self, who: NDArray[np.intp], at_s: Floats) -> Floats:
        """The sum of all responses at times (k,): two exponential sums carried from cell to cell."""
        made = np.zeros((len(who), len(at_s)))
        cell = np.floor(at_s / CELL_S).astype(np.int64)
        peak_s = bateman_peak_s()
        scale = 1.0 / float(np.exp(-peak_s / TAU_FALL_S) - np.exp(-peak_s / TAU_RISE_S))
        for number in np.unique(cell).tolist():
            here = cell == number
            fall, rise, onset_s, size = self._carried(number, who)
            since = at_s[here] - number * CELL_S
            made[:, here] = fall[:, None] * np.exp(-since / TAU_FALL_S) - rise[:, None] * np.exp(-since / TAU_RISE_S)
            late = at_s[here] - onset_s[:, None]
            gone = np.maximum(late, 0.0)
            own = np.where(late > 0, np.exp(-gone / TAU_FALL_S) - np.exp(-gone / TAU_RISE_S), 0.0)
            made[:, here] += size[:, None] * own
        return made * scale

    def _carried(self, cell: int, who: NDArray[np.intp]) -> tuple[Floats, Floats, Floats, Floats]:
        """Both exponential sums at a cell's start, and the cell's own response, for these rows."""
        epoch, place = divmod(cell, EPOCH_CELLS)
        if epoch not in self._epochs:
            while len(self._epochs) > 3:
                self._epochs.pop(next(iter(self._epochs)))
            self._epochs[epoch] = self._epoch(epoch)
        sums, responses = self._epochs[epoch]
        return sums[0, place, who], sums[1, place, who], responses[0, place, who], responses[1, place, who]

    def _epoch(self, epoch: int) -> tuple[Floats, Floats]:
        """Sums at each cell's start (2, cells, n) and responses (2, cells, n); begun one epoch earlier, from zero."""
        cells = np.arange((epoch - 1) * EPOCH_CELLS, (epoch + 1) * EPOCH_CELLS)
        onset_s, size = self._responses(self.people, cells)
        sums = np.zeros((2, EPOCH_CELLS, len(self)))
        now = np.zeros((2, len(self)))
        left = (cells + 1)[None, :] * CELL_S - onset_s
        for j in range(len(cells)):
            if j >= EPOCH_CELLS:
                sums[:, j - EPOCH_CELLS] = now
            for i, tau_s in enumerate((TAU_FALL_S, TAU_RISE_S)):
                now[i] = now[i] * np.exp(-CELL_S / tau_s) + size[:, j] * np.exp(-left[:, j] / tau_s)
        late = slice(EPOCH_CELLS, None)
        return sums, np.ascontiguousarray(np.stack((onset_s[:, late].T, size[:, late].T)))

    # -- noise -------------------------------------------------------------------------------------------------

    def _hiss(self, key: Keys, purpose: int, first: int, count: int) -> NDArray[np.float32]:
        return self._noise[self._places(key, purpose, first, count)]

    def _sway_at(self, key: Keys, purpose: int, first: int, count: int) -> NDArray[np.float32]:
        return self._sway[self._places(key, purpose, first, count)]

    def _places(self, key: Keys, purpose: int, first: int, count: int) -> Ints:
        start = (uniform(key, purpose) * NOISE_STEPS).astype(np.int64)
        made: Ints = (start[:, None] + np.arange(first, first + count)) & (NOISE_STEPS - 1)
        return made


def _smooth(noise: NDArray[np.float32]) -> NDArray[np.float32]:
    """Movement's colour: slow enough to look like pulses (differences of two running means), scaled to deviation 1."""
    total = np.concatenate(([0.0], np.cumsum(np.concatenate((noise, noise[:256])), dtype=np.float64)))
    short = (total[16 : 16 + len(noise)] - total[: len(noise)]) / 16
    long = (total[128 : 128 + len(noise)] - total[: len(noise)]) / 128
    made: NDArray[np.float32] = ((short - long) / (short - long).std()).astype(np.float32)
    return made


def first_sample(t_s: float, rate_hz: float) -> int:
    """The number of the first sample taken at ``t_s`` or later."""
    return int(np.ceil(t_s * rate_hz - 1e-9))


def _grid(t0_s: float, t1_s: float, rate_hz: int, spare: int = 0) -> tuple[int, Floats]:
    """The sample numbers with t0 <= n / rate < t1 (``spare`` more on both sides): the first, and all times."""
    first, last = first_sample(t0_s, rate_hz) - spare, first_sample(t1_s, rate_hz) + spare
    return first, np.arange(first, max(last, first)) / rate_hz


def _between(values: Floats, cell: NDArray[np.intp], weight: Floats) -> Floats:
    """Linear interpolation along axis 1 at cell + weight."""
    left = values[:, cell]
    made: Floats = left + (values[:, cell + 1] - left) * weight
    return made


def _rows(p: People, rows: NDArray[np.intp]) -> People:
    return People(**{name: getattr(p, name)[rows] for name in People.__slots__})

"""What disturbs a sensor: movement, lost contact, steps, phones that drop out, and what the show itself does. Pure.

Everything is a function of (listener, time): at any time it can be asked who moved, who had no contact and whose
phone was away, which is the truth that quality is judged against.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loadtest.people import Floats, People, Traits, uniform
from loadtest.programme import Happening, Programme

Bools = NDArray[np.bool_]

MOTION_CELL_S = 15.0  # one spell of movement at most in each
LOOSE_CELL_S = 20.0  # a loose sensor loses contact at most once in each
LOOSE_CHANCE = 0.6  # a loose one slips every half minute or so
LOSS_LONGEST_S = 6.0
DROPOUT_CELL_S = 60.0  # a dropping phone is away at most once a minute
DROPOUT_CHANCE = 0.5
DROPOUT_SHORTEST_S, DROPOUT_LONGEST_S = 3.0, 20.0  # past held (1.5 s) and past fading (11.5 s) both happen
RESEAT_S = 4.0  # after applause a finger is back in its sensor within 2 to 4 s


def moving(people: People, traits: Traits, programme: Programme, t_s: Floats) -> Floats:
    """How strongly each listener moves, [0, 1], shape (n, k) for times (k,)."""
    made = np.zeros((len(people.key), len(t_s)))
    if traits.motion_share > 0:
        cell = np.floor(t_s / MOTION_CELL_S).astype(np.int64)
        at = t_s - cell * MOTION_CELL_S
        length = traits.motion_share * MOTION_CELL_S * (0.5 + uniform(people.key[:, None], 40, cell))
        start = uniform(people.key[:, None], 41, cell) * np.maximum(MOTION_CELL_S - length, 0.0)
        made[(at >= start) & (at < start + length)] = 1.0
        made[people.role == 2] = 0.0
    for happening in programme.happenings:
        if happening.kind in ("applause", "dancing"):
            made = np.maximum(made, np.outer(takes_part(people, happening), happening.covers(t_s)))
    return made


def takes_part(people: People, happening: Happening) -> Floats:
    """How strongly each listener joins applause or dancing: listeners only, everyone differently."""
    share = happening.strength * (0.5 + 0.5 * uniform(people.key, 42))
    return np.where(people.role == 0, np.minimum(share, 1.0), 0.0)


def contact(people: People, programme: Programme, t_s: Floats) -> Bools:
    """True where the sensor touches a finger; blanks never do, loose ones slip, applause ends in re-seating."""
    made = np.broadcast_to((people.role != 2)[:, None], (len(people.key), len(t_s))).copy()
    if people.loose.any():
        cell = np.floor(t_s / LOOSE_CELL_S).astype(np.int64)
        rows = np.flatnonzero(people.loose)
        k = people.key[rows, None]
        start = uniform(k, 43, cell) * (LOOSE_CELL_S - LOSS_LONGEST_S)
        length = 1.0 + (LOSS_LONGEST_S - 1.0) * uniform(k, 44, cell)
        at = t_s - cell * LOOSE_CELL_S
        lost = (at >= start) & (at < start + length) & (uniform(k, 45, cell) < LOOSE_CHANCE)
        made[rows] &= ~lost
    for happening in programme.happenings:
        if happening.kind == "applause":
            back_s = happening.stop_s + 2.0 + (RESEAT_S - 2.0) * uniform(people.key, 46)
            made &= ~((t_s >= happening.stop_s) & (t_s < back_s[:, None]) & (people.role == 0)[:, None])
    return made


def electrode_step(people: People, programme: Programme, t_s: Floats) -> Floats:
    """What slips have multiplied the skin conductance by, shape (n, k): 0.7 to 1.4 for each new seating."""
    made = np.ones((len(people.key), len(t_s)))
    if people.loose.any():
        rows = np.flatnonzero(people.loose)
        cell = np.floor((t_s - LOOSE_CELL_S / 2) / LOOSE_CELL_S).astype(np.int64)
        made[rows] *= 2.0 ** (uniform(people.key[rows, None], 47, cell) - 0.5)
    for number, happening in enumerate(programme.happenings):
        if happening.kind == "applause":
            factor = 2.0 ** (uniform(people.key, 48, number) - 0.5)
            made *= np.where(t_s >= happening.stop_s, factor[:, None], 1.0)
    return made


def online(people: People, traits: Traits, t_s: Floats) -> Bools:
    """True while a listener's phone is there, shape (n, k)."""
    made = np.ones((len(people.key), len(t_s)), np.bool_)
    drops = uniform(people.key, 49) < traits.dropout_share
    if drops.any():
        rows = np.flatnonzero(drops)
        k = people.key[rows, None]
        cell = np.floor(t_s / DROPOUT_CELL_S).astype(np.int64)
        length = DROPOUT_SHORTEST_S + (DROPOUT_LONGEST_S - DROPOUT_SHORTEST_S) * uniform(k, 50, cell)
        start = 5.0 + uniform(k, 51, cell) * (DROPOUT_CELL_S - 5.0 - length)
        at = t_s - cell * DROPOUT_CELL_S
        made[rows] = ~((at >= start) & (at < start + length) & (uniform(k, 52, cell) < DROPOUT_CHANCE))
    return made


def show_light(programme: Programme, t_s: Floats) -> Floats:
    """Stage light that reaches optical sensors, [0, 1] at times (k,): on the beat, and with the music's swell."""
    made = np.zeros(len(t_s))
    for happening in programme.happenings:
        if happening.kind == "light":
            beat = (np.sin(2 * np.pi * happening.rate_hz * (t_s - happening.start_s)) > 0.3).astype(np.float64)
            swell = programme.drive(t_s)
            made += np.where(happening.covers(t_s), happening.strength * (0.6 * beat + 0.4 * swell), 0.0)
    return made


def show_bass(programme: Programme, t_s: Floats) -> Floats:
    """How the bass shakes fingers, [-1, 1] at times (k,): a decaying thump on each beat."""
    made = np.zeros(len(t_s))
    for happening in programme.happenings:
        if happening.kind == "bass":
            turn = np.mod(happening.rate_hz * (t_s - happening.start_s), 1.0)
            thump = np.exp(-6.0 * turn) * np.cos(2 * np.pi * 3.0 * turn)
            made += np.where(happening.covers(t_s), happening.strength * thump, 0.0)
    return made


def clapping(programme: Programme, t_s: Floats) -> Floats:
    """The common rhythm of dancing bodies at times (k,), [-1, 1]; applause itself is not in step."""
    made = np.zeros(len(t_s))
    for happening in programme.happenings:
        if happening.kind == "dancing":
            made += np.where(happening.covers(t_s), np.sin(2 * np.pi * happening.rate_hz * t_s), 0.0)
    return made

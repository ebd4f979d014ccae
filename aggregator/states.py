"""Contract 11: silence is a value. What state a listener's seat is in, and how far it has glided to the fallback. Pure.

Times are by stamps (house time), so that live, replay and take-over agree::

    silent 1.5 s -> held; held 4 s -> fading over 6 s (confidence to 0, fade 0 to 1) -> lost; 120 s -> absent
    data again   -> settling, resting or following, fade back to 0 within 3 s

Silence is time without usable packets *or without a finger*: while packets arrive but the channels say that nobody
wears the sensor, the seat is in state "no contact" and its value glides away by the same rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Columns, Floats, Ints, column
from aggregator.snapshot import SeatState

SILENT_MS = 1_500  # five missed packets: longer than a radio's retry, shorter than a bar of music
HELD_MS = 4_000  # a value of this age still describes the listener (arousal moves over seconds)
FADE_MS = 6_000
ABSENT_MS = 120_000
RETURN_MS = 3_000
NEVER_MS = -(1 << 60)  # so long ago that every limit has passed
MUTE_MS = 3_000  # an operator's mute glides like a return

# As plain numbers: numpy takes three to five times as long over an enumeration's member.
_ABSENT, _SETTLING, _RESTING, _FOLLOWING = map(int, list(SeatState)[:4])
_HELD, _FADING, _LOST, _NO_CONTACT, _MUTED = map(int, list(SeatState)[4:])


@dataclass(slots=True)
class SeatStates(Columns):
    """``state`` and ``fade`` are read by the snapshot; ``own`` and ``confidence`` are the last live values."""

    state: NDArray[np.uint8] = column(doc="SeatState", dtype=np.uint8, fill=int(SeatState.ABSENT))
    heard_ms: Ints = column(doc="stamp of the newest usable packet, ms", dtype=np.int64, fill=NEVER_MS)
    touched_ms: Ints = column(doc="newest tick with a finger on the sensor, ms", dtype=np.int64, fill=NEVER_MS)
    left: Bools = column(doc="the listener said goodbye", dtype=np.bool_)
    muted: Bools = column(doc="an operator muted the seat", dtype=np.bool_)
    known: Bools = column(doc="an own value has existed", dtype=np.bool_)
    fade: Floats = column(doc="how far the published value is the fallback, 0..1", fill=1.0)
    own: Floats = column(doc="own arousal, the last live one, 0..1", fill=0.5)
    confidence: Floats = column(doc="its confidence, before the fade, 0..1")


@dataclass(frozen=True, slots=True)
class Reading:
    """What the chain says at this tick, arrays (m,): ``contact`` a finger is on the sensor, ``ready`` at least a
    provisional baseline, ``resting`` the listener's part takes a resting baseline, ``arousal``, ``confidence``."""

    contact: Bools
    ready: Bools
    resting: Bools
    arousal: Floats
    confidence: Floats


def heard(states: SeatStates, rows: NDArray[np.intp], stamp_ms: Ints) -> None:
    """Usable packets of these (distinct) rows were taken, the newest stamped so."""
    states.heard_ms[rows] = np.maximum(states.heard_ms[rows], stamp_ms)
    states.left[rows] = False


def advance(states: SeatStates, rows: slice, reading: Reading, allowed: Bools, now_ms: int, step_ms: int) -> None:
    """Move every row of the slice to its state at ``now_ms``, ``step_ms`` after the tick before.

    ``allowed`` (m,): consent stands; without it a row is absent, like an empty seat.
    """
    heard_ms, touched_ms = states.heard_ms[rows], states.touched_ms[rows]
    silence = now_ms - heard_ms
    talking = silence < SILENT_MS
    touching = talking & reading.contact
    np.copyto(touched_ms, now_ms, where=touching)  # views of the columns: written in place
    since = now_ms - touched_ms
    worn = since < SILENT_MS
    state = _state(states, rows, reading, worn, silence, allowed)
    live = touching & reading.ready
    np.copyto(states.own[rows], reading.arousal, where=live)
    np.copyto(states.confidence[rows], reading.confidence, where=live)
    states.known[rows] |= live
    states.fade[rows] = _fade(states.fade[rows], state, states.known[rows], since, step_ms)
    states.state[rows] = state


def _state(
    states: SeatStates, rows: slice, reading: Reading, worn: Bools, silence: Ints, allowed: Bools
) -> NDArray[np.uint8]:
    """The rules in rising order of precedence: each one overwrites those before it."""
    state = np.full(len(silence), _FOLLOWING, np.uint8)
    quiet = silence >= SILENT_MS
    rules = [
        (_RESTING, reading.resting),
        (_SETTLING, ~reading.ready),
        (_NO_CONTACT, ~worn),
        (_MUTED, states.muted[rows]),
        (_ABSENT, ~allowed),
        (_ABSENT, states.left[rows]),
    ]
    if np.count_nonzero(quiet):  # mostly nobody is, and who is silent for longer is quiet too
        rules[3:3] = [
            (_HELD, quiet),
            (_FADING, silence >= SILENT_MS + HELD_MS),
            (_LOST, silence >= SILENT_MS + HELD_MS + FADE_MS),
        ]
        rules.append((_ABSENT, silence >= ABSENT_MS))
    for code, where in rules:
        np.putmask(state, where, code)
    return state


# Change of fade in units a ms, by state; settling and no contact are decided below.
_SLOPE = np.zeros(len(SeatState))
_SLOPE[SeatState.ABSENT] = 1 / FADE_MS
_SLOPE[SeatState.RESTING] = _SLOPE[SeatState.FOLLOWING] = -1 / RETURN_MS
_SLOPE[SeatState.SETTLING] = -1 / RETURN_MS
_SLOPE[SeatState.FADING] = _SLOPE[SeatState.LOST] = 1 / FADE_MS
_SLOPE[SeatState.MUTED] = 1 / MUTE_MS


def _fade(fade: Floats, state: NDArray[np.uint8], known: Bools, since: Ints, step_ms: int) -> Floats:
    """The new fade: rising or falling at the state's slope, and 1 as long as no own value has existed."""
    slope = _SLOPE.take(state)
    loose = state == _NO_CONTACT
    if np.count_nonzero(loose):
        np.copyto(slope, 1 / FADE_MS, where=loose & (since >= SILENT_MS + HELD_MS))
    slope *= step_ms
    slope += fade
    np.maximum(slope, 0.0, out=slope)
    np.minimum(slope, 1.0, out=slope)
    np.copyto(slope, 1.0, where=~known)
    return slope

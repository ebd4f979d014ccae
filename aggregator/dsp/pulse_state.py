"""What the pulse chain remembers of each listener, and the constants its modules share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Columns, Floats, Floats32, Ints, Rows, column
from aggregator.dsp.grid import PULSE_HZ

# The middle of the detector's longer window (43 samples) lies this far back: its look-ahead, 0.33 s.
LOOK_AHEAD = 21
# Steps worked on at once. Less than a second and than the detector's look-ahead, so that a slab holds at most one
# second's end a listener; long catch-ups of few listeners don't make everybody's arrays long.
SLAB = 16
# Filtered samples kept: a crest lies at most LOOK_AHEAD + 1 + WIDEST - 1 = 47 back, its foot is sought 24 earlier; the
# last second serves the spectrum.
WAVE = 72
# Widest block of interest searched for a crest, 0.4 s: half a beat at 75 bpm.
WIDEST = 26
# Spectral memory at a quarter of the grid rate: 8 s, five cycles at 40 bpm.
SLOW_HZ = PULSE_HZ // 4
SECONDS = 8
SLOW = SECONDS * SLOW_HZ
# Intervals remembered: one breath's worth, so that sinus arrhythmia averages out.
INTERVALS = 8
TEMPLATE = 32
# Columns of PulseState.summary: interval-based rate, bpm; trust in it while it is fresh; grid index of the last beat
# that looked like the template; seconds of clean intervals, fading over 2 min.
RATE, REGULAR, GOOD_INDEX, CLEAN_S = range(4)
SUMMARY = 4
LONG = 100  # run lengths are counted up to here: more than FLAT and WIDEST, and with a slab on top still one byte
FLAT = 32  # half a second without a change: no finger, or a stuck sensor
CUT_OFF_STAYS = 96  # a clipped crest denies contact for 1.5 s, longer than a beat at 40 bpm

# As arrays: np.where takes more than twice as long over a Python number, which counts where listeners are few.
UNKNOWN, NOTHING = np.array(np.nan), np.array(0.0)

Marks = NDArray[np.int8]
N = TypeVar("N", bound=np.generic)


@dataclass(slots=True)
class PulseState(Columns):
    """Pulse of each listener. Features for others: the first block of columns; the rest is memory."""

    rate_bpm: Floats = column(doc="pulse rate, interval-based and spectral fused, bpm", fill=np.nan)
    rate_confidence: Floats = column(doc="trust in rate_bpm, 0..1")
    interval_rate_bpm: Floats = column(doc="60 / mean of the plausible ones of the last 8 intervals", fill=np.nan)
    interval_confidence: Floats = column(doc="trust in interval_rate_bpm, 0..1")
    spectral_rate_bpm: Floats = column(doc="strongest harmonic comb of the last 8 s", fill=np.nan)
    spectral_confidence: Floats = column(doc="trust in spectral_rate_bpm, 0..1")
    quality: Floats = column(doc="0..1; at 0.5 and above the pulse is to be trusted; 0 without contact")
    amplitude: Floats = column(doc="foot to crest of the 0.5-5 Hz signal, sensor's unit", fill=np.nan)
    perfusion: Floats = column(doc="amplitude / |level|; only for sensors that send absolute light", fill=np.nan)
    rmssd_ms: Floats = column(doc="root mean square of successive differences of intervals, ms", fill=np.nan)
    rmssd_confidence: Floats = column(doc="trust in rmssd_ms, 0..1: 1 takes 2 min of clean intervals")
    beats: Ints = column(doc="beats found since the row was cleared", dtype=np.int64)
    last_beat_index: Floats = column(doc="grid index of the last systolic crest", fill=np.nan)
    interval_s: Floats = column(doc="last plausible inter-beat interval", fill=np.nan)
    contact: Bools = column(doc="a finger seems to be on: neither flat nor clipped", dtype=np.bool_)
    index: Ints = column(doc="last grid index seen", dtype=np.int64, fill=-1)
    polarity: Ints = column(doc="+1 crest is systolic, -1 trough is, 0 not yet known (taken as +1)", dtype=np.int64)
    forced_polarity: Ints = column(doc="configured polarity, 0 = find it", dtype=np.int64)

    origin: Floats = column(doc="level that is taken off the raw values; absorbs jumps over gaps")
    previous: Floats = column(doc="last raw value")
    band: Floats = column(tail=(2, 2), doc="band-pass memory")
    levels: Floats32 = column(tail=(SECONDS,), doc="mean |wave| of the last seconds", dtype=np.float32, fill=np.inf)
    scale: Floats32 = column(doc="lower median of levels, 0 in the first second", dtype=np.float32)
    missing: Ints = column(doc="samples missing in a row", dtype=np.int64)
    flat: Marks = column(doc="samples in a row without a change, up to 100", dtype=np.int8)
    clipped: Ints = column(doc="samples since a crest or foot was cut off", dtype=np.int64, fill=1 << 40)
    wide: Marks = column(doc="samples for which a block of interest has been open, up to 100", dtype=np.int8)
    lead: Floats32 = column(doc="short moving sum, weighted, minus the long one", dtype=np.float32)
    gap: Ints = column(doc="grid index at which the last gap ended", dtype=np.int64, fill=-1)
    wave: Floats32 = column(
        tail=(WAVE + SLAB,), doc="filtered signal, upright, newest last; then room for a slab's, 0", dtype=np.float32
    )
    slow: Floats32 = column(tail=(SLOW,), doc="the same, limited, at 16 Hz, newest last", dtype=np.float32)
    slow_filled: Ints = column(doc="seconds in slow", dtype=np.int64)
    skew: Floats32 = column(doc="running mean of (wave / scale)^3 at rest", dtype=np.float32)
    skew_s: Ints = column(doc="seconds in skew, up to its memory", dtype=np.int64)
    template: Floats32 = column(tail=(TEMPLATE,), doc="running mean beat, unit length", dtype=np.float32)
    trust: Floats = column(doc="quality before contact is asked")
    match: Floats = column(doc="running correlation of beats with the template")
    good: Bools = column(doc="the last beat looked like the template", dtype=np.bool_)
    summary: Floats = column(tail=(SUMMARY,), doc="what beats tell the second's work, see Summary", fill=np.nan)
    usual_s: Floats = column(doc="median of the last five intervals", fill=np.nan)
    intervals: Floats = column(tail=(INTERVALS,), doc="last intervals, s, newest last", fill=np.nan)
    height: Floats = column(doc="running crest height", fill=np.nan)
    differences: Floats = column(doc="successive differences that rmssd_ms rests on")
    square: Floats = column(doc="running mean of squared successive differences, s^2")
    paired_s: Floats = column(doc="interval that the next one is compared with, NaN after a break", fill=np.nan)


@dataclass(slots=True)
class Slab:
    """At most 16 steps ``t`` of ``m`` listeners on their way through the stages."""

    rows: Rows  # (m,)
    count: Ints  # (m,) samples of each listener
    index: Ints  # (m,) grid index of step 0
    x: Floats  # (t, m) raw
    gap: Ints  # (m,) or (t, m) grid index at which the last gap ended
    second: Ints  # (m,) step at which the listener's second ends; from count on not in this slab
    even: bool = field(init=False)  # everybody has all t steps
    due: Rows = field(init=False)  # listeners whose second ends in this slab
    turned: Rows = field(init=False)  # of those, whose polarity turns with it; ``waves`` does so after its last beat
    touch: Bools = field(init=False)  # contact at the end of each due listener's second
    spectral: tuple[Floats, Floats] = field(init=False)  # spectral rate and trust at the end of each due second
    waves: Floats32 = field(init=False)  # (m, WAVE + SLAB) filtered, limited, upright

    def __post_init__(self) -> None:
        self.even = bool(self.count[-1] == len(self.x))
        self.turned = self.rows[:0]

    def end(self, a: NDArray[N]) -> NDArray[N]:
        """Of ``a`` (t, m) each listener's last step, (m,)."""
        last: NDArray[N] = a[-1] if self.even else a[self.count - 1, np.arange(len(self.count))]
        return last

    def windows(self, start: Rows, length: int) -> Floats32:
        """Copies (e, length) of ``waves``, all its rows seen as one line, from each ``start`` on."""
        flat = self.waves.reshape(-1)
        every: Floats32 = np.ndarray((flat.size - length + 1, length), flat.dtype, flat, strides=(4, 4))
        return every[start]

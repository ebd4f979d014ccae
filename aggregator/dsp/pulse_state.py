"""What the pulse chain remembers of each listener, and the constants its modules share."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from aggregator.dsp.columns import Bools, Columns, Floats, Floats32, Ints, Rows, column
from aggregator.dsp.grid import PULSE_HZ

# The middle of the detector's longer window (43 samples) lies this far back: its look-ahead, 0.33 s.
LOOK_AHEAD = 21
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
FLAT = 32  # half a second without a change: no finger, or a stuck sensor
CUT_OFF_STAYS = 96  # a clipped crest denies contact for 1.5 s, longer than a beat at 40 bpm


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
    flat: Ints = column(doc="samples in a row without a change", dtype=np.int64)
    clipped: Ints = column(doc="samples since a crest or foot was cut off", dtype=np.int64, fill=1 << 40)
    inside: Bools = column(doc="a block of interest is open", dtype=np.bool_)
    opened: Ints = column(doc="grid index at which the detector opened its last block", dtype=np.int64)
    gap: Ints = column(doc="grid index at which the last gap ended", dtype=np.int64, fill=-1)
    wave: Floats32 = column(tail=(WAVE,), doc="filtered signal, newest last", dtype=np.float32)
    slow: Floats32 = column(tail=(SLOW,), doc="limited, filtered signal at 16 Hz, newest last", dtype=np.float32)
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
    due: Rows = field(init=False)  # listeners whose second ends in this slab
    waves: Floats32 = field(init=False)  # (m, WAVE + t) filtered, limited
    sign: Floats32 = field(init=False)  # (m,) polarity up to the second's end, unknown taken as +1
    sign_after: Floats32 = field(init=False)  # (m,) polarity after it
    flat: Ints = field(init=False)  # (m, t) samples in a row without a change
    cut: Ints = field(init=False)  # (m, t) samples since a crest was cut off
    ends: tuple[Rows, Ints] = field(init=False)  # place of each listener's last step in (m, t)

    def signs(self, i: Rows, k: Ints) -> Floats32:
        """Polarity of listeners ``i`` at steps ``k``."""
        return np.where(k > self.second[i], self.sign_after[i], self.sign[i])

    def windows(self, start: Rows, length: int) -> Floats32:
        """Copies (e, length) of ``waves``, all its rows seen as one line, from each ``start`` on."""
        flat = self.waves.reshape(-1)
        every: Floats32 = np.ndarray((flat.size - length + 1, length), flat.dtype, flat, strides=(4, 4))
        return every[start]

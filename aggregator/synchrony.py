"""Synchrony: how alike listeners' skin drive and pulse rate change, by integer sums that merge exactly. Pure numpy.

Each listener keeps 64 s of two features at 4 Hz on house time (sample n covers house time n * 250 ms). Every 3 s a
window of 60 s ends for the whole house at once; the ticks of the next 3 s each work off some listeners (by pseudonym,
so that the order is nobody's choice), and what comes out are integer sums, the same for any number of owners.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Bools, Columns, Floats, Floats32, Ints, Rows, column
from aggregator.snapshot import SynchronySums

FEATURES = ("skin_drive", "pulse_rate")
SAMPLE_MS = 250  # 4 Hz: skin responses rise in 0.5-5 s, so nothing faster is in there
WINDOW = 240  # samples, 60 s: a musical phrase or two, and a dozen independent stretches of skin drive
RING = 256  # samples, 64 s: the window plus what arrives while it is worked off
CYCLE_MS = 3_000  # a window ends every 3 s, a twentieth of its length; less often would outrun the ring
SLICES = 10  # of the listeners in a cycle, so that no tick does everybody; each costs 0.2 ms before it has seen one
CYCLE = CYCLE_MS // SAMPLE_MS
UNIT = 65_536  # z and z squared are rounded to 2**-16 before summing (contract 9)
LEAST_VALID = 0.5  # share of the window a listener needs to count
FLOORS = (0.005, 0.3)  # least deviation over a window, uS and bpm: below, it is resolution, not change (P)
_FLOORS = np.array(FLOORS, np.float32)[None, :, None]
DOUBT = 8  # samples, 2 s: quality needs so long to tell an electrode that was let go (D)
BATCH = 120  # listeners worked off together: 240 kB, about the processor's own cache; their sums fit 32 bits
INDEPENDENT = 12  # independent stretches in 60 s of skin drive or pulse rate, about 5 s each (P)


@dataclass(slots=True)
class SynchronyState(Columns):
    """The last 64 s of each listener's features; NaN where not valid."""

    ring: Floats32 = column(
        doc="features by sample number modulo 256", tail=(len(FEATURES), RING), dtype=np.float32, fill=np.nan
    )
    newest: Ints = column(doc="number of the newest sample written; -1 none", dtype=np.int64, fill=-1)


def push(
    state: SynchronyState, rows: Rows | slice, n: int, values: Floats, valid: Bools, doubtful: Bools | None = None
) -> None:
    """Write sample n (house_ms // 250) of the rows: values (m, 2) in natural units, valid (m, 2).

    Samples that were left out since the last one written become NaN. A sample at or before the newest is written in
    place (a tick that takes two looks at the same 250 ms: the later counts). Not finite counts as not valid. Where
    ``doubtful`` (m, 2), never true together with valid, begins, the DOUBT samples before it become NaN too: an
    artefact begins before it is known as one, and in a whole house that claps at the same moment.
    """
    newest = state.newest[rows]
    gap = n - 1 - newest
    if len(gap) and int(gap.max()) > 0:
        behind = np.arange(len(state.newest))[rows][gap > 0]
        missed = np.minimum(gap[gap > 0], RING)
        for back in range(1, int(missed.max()) + 1):
            state.ring[behind[missed >= back], :, (n - back) % RING] = np.nan
    if doubtful is not None and np.count_nonzero(doubtful):
        _doubt(state, rows, n, doubtful)
    state.ring[rows, :, n % RING] = np.where(valid, values, np.nan)
    state.newest[rows] = np.maximum(newest, n)


def _doubt(state: SynchronyState, rows: Rows | slice, n: int, doubtful: Bools) -> None:
    """Take back the samples just before a doubt that begins at sample n."""
    before = state.ring[rows, :, (n - 1) % RING]
    at, feature = np.nonzero(doubtful & np.isfinite(before))
    if len(at):
        at = np.arange(len(state.newest))[rows][at]
        for back in range(1, DOUBT + 1):
            state.ring[at, feature, (n - back) % RING] = np.nan


@dataclass(slots=True)
class SynchronyWindow:
    """The house's window that is being worked off, and the newest finished one (``done``)."""

    end_n: int = -1
    next_slice: int = SLICES
    z: Ints = field(default_factory=lambda: _zeros())
    zz: Ints = field(default_factory=lambda: _zeros())
    count: Ints = field(default_factory=lambda: _zeros())
    done: SynchronySums | None = None

    def advance(self, state: SynchronyState, rows: Rows, key: NDArray[Any], cut_ms: int) -> SynchronySums | None:
        """Work off the slices that are due at this cut; returns the newest finished sums (also while nothing is new).

        ``rows`` are the listeners that count, ``key`` integer (m,) their pseudonyms (slice = key % SLICES). Call it at
        every tick after :func:`push`; what is done when depends on ``cut_ms`` alone, so all owners are in step.
        Starting in the middle of a cycle waits for the next one.
        """
        end_n = cut_ms // CYCLE_MS * CYCLE
        if end_n != self.end_n:
            if self.next_slice < SLICES:
                self._work(state, rows, key, SLICES)
            begun = cut_ms % CYCLE_MS < CYCLE_MS // 2 or self.end_n >= 0
            self.end_n, self.next_slice = end_n, 0 if begun else SLICES
            self.z, self.zz, self.count = _zeros(), _zeros(), _zeros()
        due = cut_ms % CYCLE_MS * SLICES // CYCLE_MS + 1
        if due > self.next_slice:
            self._work(state, rows, key, due)
        return self.done

    def _work(self, state: SynchronyState, rows: Rows, key: NDArray[Any], due: int) -> None:
        if len(rows):
            turn = (key % SLICES).astype(np.int64)
            z, zz, count = window_sums(state, rows[(turn >= self.next_slice) & (turn < due)], self.end_n)
            self.z += z
            self.zz += zz
            self.count += count
        self.next_slice = due
        if due == SLICES:
            self.done = SynchronySums(self.end_n * SAMPLE_MS, self.z, self.zz, self.count)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """For checkpoints: everything, as arrays."""
        marks = np.array([self.end_n, self.next_slice], np.int64)
        made: dict[str, NDArray[Any]] = {"marks": marks, "z": self.z, "zz": self.zz, "count": self.count}
        if self.done is not None:
            made |= {"done_end": np.array([self.done.end_ms]), "done_z": self.done.z, "done_zz": self.done.zz}
            made["done_valid"] = self.done.valid
        return made

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays`."""
        self.end_n, self.next_slice = (int(v) for v in saved["marks"])
        self.z, self.zz, self.count = (np.array(saved[name], np.int64) for name in ("z", "zz", "count"))
        self.done = None
        if "done_end" in saved:
            names = ("done_z", "done_zz", "done_valid")
            self.done = SynchronySums(int(saved["done_end"][0]), *(np.array(saved[name], np.int64) for name in names))


def _zeros() -> Ints:
    return np.zeros((len(FEATURES), WINDOW), np.int64)


def window_sums(state: SynchronyState, rows: Rows, end_n: int) -> tuple[Ints, Ints, Ints]:
    """Integer sums over listeners of z, z squared and validity, each (2, 240), for samples end_n - 240 .. end_n - 1.

    A listener's z is against their own mean and deviation over the valid samples of this window::

        z = (x - mean) / max(sd, floor),   z and z^2 each rounded to 2**-16

    Only where at least half the window is valid. The floor (0.005 uS, 0.3 bpm) keeps a flat signal's noise from
    looking like change: a listener at rest then counts as unlike, not as absent.
    """
    total = np.zeros((3, len(FEATURES), RING), np.int64)
    first = end_n % RING  # 16 places from here on hold what is not in the window
    wrapped = max(first - WINDOW, 0)
    for start in range(0, len(rows), BATCH):
        mine = rows[start : start + BATCH]
        x = state.ring.take(mine, axis=0)
        x[:, :, first : first + RING - WINDOW] = np.nan
        x[:, :, :wrapped] = np.nan
        stale = end_n - 1 - state.newest[mine]
        old = np.flatnonzero(stale > 0)
        if len(old):  # not written up to the window's end: what stands there is the ring's last round
            gone = (end_n - 1 - np.arange(RING)) % RING < stale[old, None]
            x[old] = np.where(gone[:, None, :], np.float32(np.nan), x[old])
        z, zz, count = _batch_sums(x)
        total[0] += z
        total[1] += zz
        total[2] += count
    ordered = total[:, :, np.arange(end_n - WINDOW, end_n) % RING]
    return ordered[0], ordered[1], ordered[2]


def _batch_sums(x: Floats32) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int8]]:
    """Sums of z, z squared and validity of at most BATCH listeners; x (m, 2, 256) is used up. int32 cannot overflow:
    a sample among n lies within sqrt(n - 1) deviations, so 126 * 255 * 2**16 < 2**31."""
    valid = np.equal(x, x)  # false for NaN only
    mask = valid.astype(np.int32)
    count = np.add.reduce(mask, axis=2, dtype=np.int32, keepdims=True).astype(np.float32)
    np.negative(mask, out=mask)  # all bits: and-ing clears gaps, at a third of what np.where costs
    bits = x.view(np.int32)
    bits &= mask
    some = np.maximum(count, 1)
    x -= np.add.reduce(x, axis=2, keepdims=True) / some
    bits &= mask
    square = x * x
    variance = np.add.reduce(square, axis=2, keepdims=True) / some
    enough = count >= LEAST_VALID * WINDOW
    gain = np.where(enough, np.float32(1.0) / np.maximum(np.sqrt(variance), _FLOORS), np.float32(0.0))
    x *= gain * np.float32(UNIT)  # z in units of 2**-16
    square *= gain * gain * np.float32(UNIT)
    valid &= enough
    z, zz = (np.rint(a, out=a).astype(np.int32) for a in (x, square))
    m = np.add.reduce(valid.view(np.int8), axis=0, dtype=np.int8)  # BATCH < 127
    return np.add.reduce(z, axis=0, dtype=np.int32), np.add.reduce(zz, axis=0, dtype=np.int32), m


def merge_sums(parts: Sequence[SynchronySums | None]) -> SynchronySums | None:
    """The newest window's sums over all parts that have it; None where nobody has any."""
    some = [p for p in parts if p is not None]
    if not some:
        return None
    end_ms = max(p.end_ms for p in some)
    mine = [p for p in some if p.end_ms == end_ms]
    return SynchronySums(
        end_ms, sum_of([p.z for p in mine]), sum_of([p.zz for p in mine]), sum_of([p.valid for p in mine])
    )


def sum_of(arrays: Sequence[Ints]) -> Ints:
    """Elementwise sum of at least one integer array."""
    total = arrays[0].copy()
    for array in arrays[1:]:
        total += array
    return total


@dataclass(frozen=True, slots=True)
class Synchrony:
    """Mean pairwise correlation a feature, (2,): ``raw`` as computed, ``value`` clipped to [0, 1], ``confidence``;
    ``combined`` and ``combined_confidence`` over features weighted by confidence; ``pairs`` of listeners a sample."""

    raw: Floats
    value: Floats
    confidence: Floats
    combined: float
    combined_confidence: float
    pairs: Floats


def synchrony(sums: SynchronySums) -> Synchrony:
    """Masked mean pairwise correlation of z, contract 9::

        raw = sum over t of (S^2 - Q) / sum over t of (M^2 - M)

    With N listeners (from the denominator) independent listeners scatter about 0 by
    ``sd0 = sqrt(2 / (12 N (N - 1)))``; confidence = max(0, 1 - 4 sd0): 0 at two listeners, 0.63 at 5, 0.97 at 50.

    Says how alike signals change, never why: light, sound, breath and feeling all do it. Negative values (rare) are
    published as 0. Autocorrelation does not bias it, it widens the scatter: a minute of skin drive holds about a dozen
    independent stretches, so values below 4 sd0 are chance. Source: REFERENCES' closed forms (D).
    """
    z, zz, m = (a.astype(np.float64) for a in (sums.z, sums.zz, sums.valid))
    over = np.sum(z * z / UNIT**2 - zz / UNIT, axis=1)
    pairs = np.sum(m * m - m, axis=1)
    raw = np.where(pairs > 0, over / np.maximum(pairs, 1.0), 0.0)
    per_sample = pairs / m.shape[1]
    scatter = np.sqrt(2.0 / (INDEPENDENT * np.maximum(per_sample, 1e-9)))
    confidence = np.maximum(0.0, 1.0 - 4.0 * scatter)
    value = np.clip(raw, 0.0, 1.0)
    weight = float(confidence.sum())
    combined = float((value * confidence).sum()) / weight if weight > 0 else 0.0
    return Synchrony(raw, value, confidence, combined, float(confidence.max()), per_sample)


def standardised(x: Floats) -> tuple[Floats, Bools]:
    """Each listener's z over their own valid samples, 0 where not valid, and the mask; x (listeners, samples), NaN
    for gaps. A listener without variance is all zero."""
    valid = np.isfinite(x)
    count = np.maximum(valid.sum(axis=1, keepdims=True), 1)
    filled = np.where(valid, x, 0.0)
    centred = np.where(valid, filled - filled.sum(axis=1, keepdims=True) / count, 0.0)
    deviation = np.sqrt((centred * centred).sum(axis=1, keepdims=True) / count)
    z = np.divide(centred, deviation, out=np.zeros_like(centred), where=deviation > 0)
    return z, valid


def pairwise(x: Floats) -> float:
    """Masked mean pairwise correlation from arrays (after the show), unclipped: the same formula without rounding."""
    z, valid = standardised(x)
    m = valid.sum(axis=0).astype(np.float64)
    pairs = float(np.sum(m * m - m))
    return float(np.sum(z.sum(axis=0) ** 2 - (z * z).sum(axis=0))) / pairs if pairs > 0 else 0.0


def others_mean(x: Floats) -> Floats:
    """For each listener the mean z of all others at each sample, (listeners, samples), NaN where there is no other."""
    z, valid = standardised(x)
    others = valid.sum(axis=0) - valid
    mean: Floats = np.divide(z.sum(axis=0) - z, others, out=np.full_like(z, np.nan), where=others > 0)
    return mean


def leave_one_out(x: Floats) -> Floats:
    """Correlation of each listener with the mean of all others, (listeners,), NaN where undefined.

    x (listeners, samples), NaN for gaps. With common variance s^2, own noise n^2 and N listeners the expectation is
    ``s^2 / sqrt((s^2 + n^2) (s^2 + n^2 / (N - 1)))``. It is biased upwards by N's smallness, not by gaps; it is no
    sign that a listener *follows* the others. Source: REFERENCES' closed forms (D).
    """
    others = others_mean(x)
    both = np.isfinite(x) & np.isfinite(others)
    a, _ = standardised(np.where(both, x, np.nan))
    b, _ = standardised(np.where(both, others, np.nan))
    count = both.sum(axis=1)
    made: Floats = np.divide((a * b).sum(axis=1), count, out=np.full(len(x), np.nan), where=count > 1)
    return made

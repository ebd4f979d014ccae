"""Linkage: how alike the house and a performer move, with the performer up to 8 s ahead. Pure numpy.

The words are "alike" and "linked", never "caused by": house and performer hear the same music. Significance comes
from surrogates with the same spectra and random phases, and holds for the whole evening: a look every 10 s at every
performer is hundreds of chances to be fooled. The work is spread over ticks.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator.dsp.columns import Floats

SAMPLE_MS = 250  # 4 Hz
HZ = 4
WINDOW = 2400  # samples, 600 s: what the significance of slow signals needs (MEASUREMENTS)
LAGS = 33  # 0 .. 8 s after the performer: skin answers 1-5 s late (Boucsein et al. 2012), plus filters and fusion
EVERY = 40  # samples: a new value every 10 s
LEAST = 720  # samples, 180 s: with less, nothing is said
LEAST_VALID = 0.7  # of the window, of both series
SURROGATES = 199  # the least p is 0.005, the confidence's step 0.1
BATCH = 20  # surrogates a tick: 0.6 ms
SHRINK = 0.88  # of the observed value before ranking: taper and high-pass leave fewer independent samples than the
# surrogates have. Chosen among 1, 0.96, 0.92 and 0.88 on simulated series; on other seeds 1.5-5 % false alarms (P)
HIGH_PASS = 60 * HZ  # samples of the moving average that is taken off: an evening's drift is nobody's following
TAPER = 0.1  # of the window at each end: the ends must not count as a jump
NOMINAL = 0.05  # of evenings in which nothing is linked and something is found all the same
LOOKS_A_STRETCH = 60  # looks, 10 minutes: one window, so stretches are about independent
MAX_PERFORMERS = 16


def prepare(x: Floats) -> Floats:
    """A series ready for lagged correlation: zero mean, unit norm; (n,), NaN for gaps, at least 2 finite.

    Gaps are bridged linearly; the moving average over 60 s is taken off; ranks replace values, so that a few large
    responses do not decide; then the straight line is taken off and the ends are tapered (10 % each, raised cosine).
    All zero where nothing moves.
    """
    n, finite = len(x), np.isfinite(x)
    x = np.interp(np.arange(n), np.flatnonzero(finite), x[finite])
    x = x - moving_average(x, HIGH_PASS)
    if float(np.ptp(x)) < 1e-9:
        return np.zeros(n)
    x = np.argsort(np.argsort(x, kind="stable"), kind="stable").astype(np.float64)
    t = np.arange(n) - (n - 1) / 2
    x -= x.mean()
    x -= t * (float(np.sum(x * t)) / float(np.sum(t * t)))
    x *= taper(n)
    x -= x.mean()
    made: Floats = x / np.sqrt(np.sum(x * x))
    return made


def moving_average(x: Floats, width: int) -> Floats:
    """Centred, over what there is of the window at the ends; (n,)."""
    sums = np.concatenate([[0.0], np.cumsum(x)])
    i = np.arange(len(x))
    low, high = np.maximum(i - width // 2, 0), np.minimum(i + width // 2 + 1, len(x))
    made: Floats = (sums[high] - sums[low]) / (high - low)
    return made


def taper(n: int) -> Floats:
    """Raised cosine over the first and last tenth, 1 between."""
    m = int(TAPER * n)
    window = np.ones(n)
    window[:m] = 0.5 - 0.5 * np.cos(np.pi * np.arange(m) / m)
    window[n - m :] = window[:m][::-1]
    return window


def level(looks: int, performers: int) -> float:
    """The p that the ``looks``-th look (1 is the first) at one of so many performers has to stay below::

        stretch m = 1, 2, ... of 60 looks each:   0.05 / (m (m + 1)) / 60 / performers

    The sum over all looks and performers of an evening of any length is 0.05, as 1/(m (m + 1)) sums to 1, so that at
    most 5 of 100 evenings without any linkage ever show one (Bonferroni's inequality; dependence does not matter).
    Early stretches are given most: what is linked is found soon. Conservative, since looks overlap. Source: spending a
    level over looks, Lan & DeMets 1983 (M), with this sequence our own.
    """
    stretch = (looks - 1) // LOOKS_A_STRETCH + 1
    return NOMINAL / (stretch * (stretch + 1)) / LOOKS_A_STRETCH / performers


def tail(observed: float, deviation: float, crossings_hz: float) -> float:
    """P(a surrogate's largest correlation at lags 0..8 s >= observed), where few surrogates ever get.

    A surrogate is a sum of cosines with random phases: at one lag close to a normal variate, over the lags a smooth
    stationary process. It is above x at lag 0 or crosses x upwards in 8 s::

        x = observed / deviation;    p <= Q(x) + 8 s * crossings_hz * exp(-x^2 / 2)

    ``deviation``: root of the mean square of a surrogate; ``crossings_hz``: its upward crossings of 0 a second, the
    root of the second spectral moment. Few cosines have a lighter tail than a normal variate: then it is too large.
    Source: Rice 1945 (M); against drawn surrogates in the tests.
    """
    if deviation <= 0.0:
        return 1.0
    x = max(observed, 0.0) / deviation
    p = 0.5 * math.erfc(x / math.sqrt(2.0)) + (LAGS - 1) / HZ * crossings_hz * math.exp(-x * x / 2.0)
    return min(p, 1.0)


@dataclass(slots=True)
class SurrogateTest:
    """One test under way. ``amplitude``: product of both amplitude spectra, which is all that surrogates need, since
    the difference of phases is drawn anew; ``observed`` the largest correlation at lags 0..8 s."""

    amplitude: Floats
    samples: int
    observed: float
    seed: int
    level: float = NOMINAL
    done: int = 0
    reached: int = 0

    @classmethod
    def begin(cls, house: Floats, performer: Floats, seed: int, level: float = NOMINAL) -> SurrogateTest:
        """``house`` and ``performer`` (n,) as they were recorded; house is asked to follow by 0..8 s. ``level``: what
        p is compared with."""
        n = len(house)
        product = np.fft.rfft(prepare(house)) * np.conj(np.fft.rfft(prepare(performer)))
        lagged = np.fft.irfft(product, n)[:LAGS]
        return cls(np.abs(product), n, float(lagged.max()), seed, level)

    def work(self, surrogates: int) -> bool:
        """Draw some more; True once all are done. Equal seeds and counts give equal bits."""
        count = min(surrogates, SURROGATES - self.done)
        generator = np.random.Generator(np.random.PCG64([self.seed, self.done]))
        phase = generator.uniform(0.0, 2.0 * np.pi, (count, len(self.amplitude)))
        lagged = np.fft.irfft(self.amplitude * np.exp(1j * phase), self.samples, axis=1)[:, :LAGS]
        self.reached += int(np.sum(lagged.max(axis=1) >= SHRINK * self.observed))
        self.done += count
        return self.done == SURROGATES

    @property
    def p(self) -> float:
        """Share of chance at least as alike: (1 + reached) / (1 + surrogates); where none reached it, the tail's
        share, which can be smaller than what 199 can show."""
        share = (1 + self.reached) / (1 + self.done)
        return share if self.reached else min(share, self._tail())

    @property
    def hopeless(self) -> bool:
        """Enough surrogates have reached it that p stays above the level, whatever the others do."""
        return self.reached > 0 and (1 + self.reached) / (1 + SURROGATES) > self.level

    def _tail(self) -> float:
        power = np.square(self.amplitude)
        hz = np.arange(len(power)) * (HZ / self.samples)
        total = float(np.sum(power))
        if total <= 0.0:
            return 1.0
        crossings_hz = math.sqrt(float(np.sum(power * hz * hz)) / total)
        return tail(SHRINK * self.observed, math.sqrt(2.0 * total) / self.samples, crossings_hz)

    def result(self) -> tuple[float, float]:
        """(value in [0, 1], confidence = max(0, 1 - p / level))."""
        return min(max(self.observed, 0.0), 1.0), max(0.0, 1.0 - self.p / self.level)


def linkage_test(house: Floats, performer: Floats, seed: int = 0) -> tuple[float, float]:
    """(largest correlation at lags 0..8 s, p) in one go; series (n,) at 4 Hz, NaN for gaps.

    One p per test: an evening that looks every 10 s finds p <= 0.05 in one of three to four evenings although nothing
    is there (measured; see :func:`level`). Does not correct for several performers. Source: surrogates with random
    phases, Theiler et al. 1992 (M); false alarms measured in the tests.
    """
    test = SurrogateTest.begin(house, performer, seed)
    test.work(SURROGATES)
    return test.observed, test.p


class LinkageTracker:
    """Series of the house and of each performer at 4 Hz over the last 600 s, and the linkage of each.

    Every 10 s of house time each performer with at least 180 s of data (70 % valid) is due; each call of ``push``
    begins one test or draws 20 surrogates, so no tick does it all. Confidence is against the level that this look has
    of the evening's 5 % (:func:`level`). Equal calls give equal bits.
    """

    def __init__(self) -> None:
        self._n = -1
        self._looks, self._looked = 0, -1  # so far, and the 10 s of the newest
        self._house = np.full(WINDOW, np.nan)
        self._series: dict[str, Floats] = {}
        self._result: dict[str, tuple[float, float]] = {}
        self._due: deque[str] = deque()
        self._test: tuple[str, SurrogateTest] | None = None

    def push(self, cut_ms: int, house: float, performers: Mapping[str, float]) -> None:
        """Add what this tick says: arousal of the house (NaN where nobody counts) and of each performer who has one.

        The first tick in each 250 ms counts. More than 16 names: the rest is not tracked.
        """
        n = cut_ms // SAMPLE_MS
        if n > self._n:
            self._shift(n - self._n if self._n >= 0 else WINDOW)
            self._house[-1] = house
            for name, value in performers.items():
                if name not in self._series and len(self._series) < MAX_PERFORMERS:
                    self._series[name] = np.full(WINDOW, np.nan)
                if name in self._series:
                    self._series[name][-1] = value
            if n // EVERY > self._n // EVERY and self._n >= 0:
                self._due.extend(name for name in sorted(self._series) if name not in self._due)
            self._n = n
        self._work()

    def linkage(self, name: str) -> tuple[float, float]:
        """(value, confidence) of a performer's linkage; (0, 0) until enough is known."""
        return self._result.get(name, (0.0, 0.0))

    @property
    def newest_n(self) -> int:
        """The newest sample, house ms // 250; -1 before the first."""
        return self._n

    def recent(self, end_n: int, samples: int) -> tuple[Floats, dict[str, Floats]]:
        """Of house and performers the last ``samples`` before sample ``end_n`` (at most the newest + 1)."""
        end = WINDOW - (self._n + 1 - end_n)
        part = slice(max(end - samples, 0), end)
        return self._house[part], {name: series[part] for name, series in self._series.items()}

    def _shift(self, step: int) -> None:
        step = min(step, WINDOW)
        for series in (self._house, *self._series.values()):
            series[: WINDOW - step] = series[step:].copy()
            series[WINDOW - step :] = np.nan

    def _work(self) -> None:
        if self._test is not None:
            name, test = self._test
            if test.work(BATCH) or test.hopeless:
                self._result[name] = test.result()
                self._test = None
        elif self._due:
            self._begin(self._due.popleft())

    def _begin(self, name: str) -> None:
        both = np.isfinite(self._house) & np.isfinite(self._series[name])
        if not both.any():
            del self._series[name]
            self._result.pop(name, None)
            return
        start = -(-int(np.argmax(both)) // EVERY) * EVERY
        if WINDOW - start < LEAST or both[start:].mean() < LEAST_VALID:
            self._result[name] = (0.0, 0.0)
            return
        if self._n // EVERY != self._looked:
            self._looks, self._looked = self._looks + 1, self._n // EVERY
        least = level(self._looks, len(self._series))
        self._test = name, SurrogateTest.begin(self._house[start:], self._series[name][start:], self._n, least)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """For checkpoints: all series, results and the test under way; names as UTF-8 JSON in a byte array."""
        names = sorted(self._series)
        made: dict[str, NDArray[Any]] = {"n": np.array([self._n, self._looks, self._looked])}
        made["house"] = self._house.copy()
        made["series"] = np.array([self._series[name] for name in names]).reshape(len(names), WINDOW)
        made["result"] = np.array([self.linkage(name) for name in names]).reshape(len(names), 2)
        test = self._test
        words = {"names": names, "due": list(self._due), "test": test[0] if test else None}
        made["words"] = np.frombuffer(json.dumps(words).encode(), np.uint8).copy()
        if test:
            t = test[1]
            made["amplitude"] = t.amplitude.copy()
            made["numbers"] = np.array([t.samples, t.observed, t.seed, t.level, t.done, t.reached])
        return made

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays` with the same bits."""
        words = json.loads(saved["words"].tobytes())
        self._n, self._looks, self._looked = (int(x) for x in saved["n"])
        self._house = np.array(saved["house"], np.float64)
        self._series = {
            name: np.array(row, np.float64) for name, row in zip(words["names"], saved["series"], strict=True)
        }
        pairs = zip(words["names"], saved["result"].tolist(), strict=True)
        self._result = {name: (value, confidence) for name, (value, confidence) in pairs}
        self._due, self._test = deque(words["due"]), None
        if words["test"] is not None:
            samples, observed, seed, least, done, reached = saved["numbers"].tolist()
            amplitude = np.array(saved["amplitude"], np.float64)
            test = SurrogateTest(amplitude, int(samples), observed, int(seed), least, int(done), int(reached))
            self._test = words["test"], test

"""Fifty of sixty fall silent: which state at which time, how it fades, and what comes back (contract 11)."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from aggregator.snapshot import PartSnapshot, SeatState
from relay.entries import Part
from tests.aggregator.helper_engine import TICK_HZ, Drive, engine
from tests.aggregator.helper_signals import T0_MS, Tape, house


def at(seconds: float) -> int:
    return T0_MS + round(seconds * 1000)


class Vanish:
    """A house of which 50 fall silent; when they come back, their phones send all that was kept. Every tick's part
    snapshot is kept."""

    def __init__(self, away_s: float) -> None:
        phones = house(60)
        tape = Tape()
        tape.everywhere(T0_MS, Part("rest"))
        for phone in phones:
            for control in phone.controls():
                tape.control(T0_MS, phone.shard, control)
        self.stop, self.back = 36.0, 36.0 + away_s
        for i, phone in enumerate(phones):
            for s in phone.packets(self.back + 5):
                silent = i < 50 and at(self.stop) <= s.arrival_ms < at(self.back)
                tape.send([replace(s, arrival_ms=at(self.back)) if silent else s])
        self.drive = Drive(engine(60), tape.entries)
        self.parts = self.drive.run(self.back + 5.5)

    def state(self, seconds: float) -> set[int]:
        """States of the 50 seats at a time after the last packet."""
        return set(self._part(seconds).state[:50].tolist())

    def fade(self, seconds: float) -> float:
        return float(self._part(seconds).fade[:50].max())

    def _part(self, seconds: float) -> PartSnapshot:
        return self.parts[round((self.stop + seconds) * TICK_HZ)]


def test_fifty_listeners_vanish_for_ten_seconds_and_come_back() -> None:
    seen = Vanish(10.0)
    assert seen.state(-1.0) == {SeatState.RESTING}
    assert seen.state(1.0) == {SeatState.RESTING}
    assert seen.state(2.0) == {SeatState.HELD}
    assert seen.fade(5.0) == 0.0
    assert seen.state(6.5) == {SeatState.FADING}
    assert seen.state(9.8) == {SeatState.FADING}
    assert 0.6 < seen.fade(9.8) < 0.8
    assert seen.state(10.8) == {SeatState.RESTING}
    assert seen.fade(14.5) == 0.0
    counters = seen.parts[-1].counters
    assert all(counters[name] == 0 for name in ("gaps", "clock_jumps", "duplicates", "too_old", "late"))
    assert counters["packets"] == 60 * 4 * (seen.back + 5)
    for a, b in pairwise(seen.parts):
        assert np.abs(np.diff([a.fade, b.fade], axis=0)).max() <= 1 / 3 / TICK_HZ + 1e-9


def test_fifteen_seconds_are_lost_and_the_others_never_notice() -> None:
    seen = Vanish(15.0)
    assert seen.state(6.5) == {SeatState.FADING}
    assert seen.state(12.0) == {SeatState.LOST}
    assert seen.fade(12.0) == 1.0
    assert seen.parts[round(48.5 * TICK_HZ)].confidence[:50].max() == 0.0
    assert seen.state(15.8) == {SeatState.RESTING}
    others = {int(s) for p in seen.parts[round(35 * TICK_HZ) :] for s in p.state[50:]}
    assert others == {SeatState.RESTING}

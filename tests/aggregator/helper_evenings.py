"""Evenings of a house and a performer, as linkage sees them: through the tracker, or published by the merger."""

from __future__ import annotations

import numpy as np

from aggregator.linkage import EVERY, LinkageTracker
from aggregator.merger import Merger
from aggregator.snapshot import PerformerValue, SeatState
from relay.seat_plan import generated
from tests.aggregator.helper_parts import Audience
from tests.aggregator.helper_series import HZ, Floats, delayed, slow

START_MS = 1_000_000_000
LISTENERS = 40
ALIKE, SPREAD = 0.5, 0.1  # share of a listener's variance that is the house's; arousal's deviation
#: By name: kind and time constant (s) of the house's and of the performer's series; see helper_series.slow.
SERIES = {
    "alike": (("smooth", 5.0), ("smooth", 5.0)),
    "sparse": (("smooth", 10.0), ("sparse", 3.0)),
    "walk": (("walk", 1.0), ("once", 40.0)),
}


def evening(
    seed: int, minutes: int, series: str = "alike", share: float = 0.0, lag_s: float = 3.0
) -> tuple[Floats, Floats]:
    """(house, performer) at 4 Hz, arousal in [0, 1]; the house follows by lag_s with this share of its variance."""
    rng = np.random.default_rng([seed, minutes])
    (kind, tau_s), (other, other_s) = SERIES[series]
    shape = (minutes * 60 * HZ,)
    house, performer = slow(rng, shape, tau_s, kind), slow(rng, shape, other_s, other)
    house = np.sqrt(share) * delayed(performer, lag_s) + np.sqrt(1.0 - share) * house
    return np.clip(0.5 + SPREAD * house, 0.0, 1.0), np.clip(0.5 + SPREAD * performer, 0.0, 1.0)


def tracked(house: Floats, performers: dict[str, Floats]) -> Floats:
    """Confidence of each performer's linkage at the end of every 10 s, (looks, performers)."""
    tracker, shown = LinkageTracker(), []
    for i, value in enumerate(house.tolist()):
        now = {name: float(series[i]) for name, series in performers.items()}
        tracker.push(START_MS + 250 * i, value, now)
        for _ in range(3):  # 16 ticks a second: as many calls as it takes for all performers' work
            tracker.push(START_MS + 250 * i, value, now)
        if (i + 1) % EVERY == 0:
            shown.append([tracker.linkage(name)[1] for name in performers])
    return np.array(shown)


def published(house: Floats, performer: Floats, seed: int) -> Floats:
    """As :func:`tracked` of one performer, in what a merger publishes for LISTENERS of whom each shows half of what
    the house does: merged, robustly estimated, limited in speed."""
    rng = np.random.default_rng([seed, 1])
    own = slow(rng, (LISTENERS, len(house)), 5.0)
    felt = np.sqrt(ALIKE) * (house - 0.5) + np.sqrt(1.0 - ALIKE) * SPREAD * own
    people = Audience(generated(LISTENERS), np.full(LISTENERS, 0.5), tick_hz=float(HZ))
    merger, shown = Merger(people.plan, tick_hz=float(HZ)), []
    for k in range(len(house)):
        people.own = np.clip(0.5 + felt[:, k], 0.0, 1.0)
        people.performers = (PerformerValue("viola", float(performer[k]), 0.9, int(SeatState.FOLLOWING)),)
        made = merger.publish(people.parts(k))
        if (k + 1) % EVERY == 0:
            shown.append(made.performers[0].linkage[1])
    return np.array(shown)

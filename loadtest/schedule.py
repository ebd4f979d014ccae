"""The open-loop schedule: when each phone joins, goes, returns and sends, fixed before the first packet. Pure.

Nothing here depends on an answer: a late answer is measured against these times and never delays the next packet
(otherwise a stalled house would look fast, because nobody asked it anything meanwhile).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loadtest.scenario import Disruption, Joining, Scenario

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SLOTS = 25  # sending moments in a span: 10 ms apart at 4 packets a second
PROBE_SPANS = 16  # a probe's round: at 4 packets a second it speaks every 4 s …
PROBE_SPEAKS = 5  # … for 1.25 s, and is silent for 2.75 s: longer than a house may take to call a seat silent (1.5 s)


class Act(enum.IntEnum):
    """What a phone does at a moment of the schedule."""

    JOIN = 0
    CUT = 1
    SLEEP = 2
    DIE = 3
    RETURN = 4


@dataclass(frozen=True, slots=True)
class Acts:
    """All moments in order of time: ``at_s`` (k,), ``phone`` (k,), ``act`` (k,)."""

    at_s: Floats
    phone: Ints
    act: NDArray[np.int8]

    def of(self, first: int, last: int) -> Acts:
        """Those of phones first..last - 1, renumbered from 0."""
        mine = (self.phone >= first) & (self.phone < last)
        return Acts(self.at_s[mine], self.phone[mine] - first, self.act[mine])


def slot_of(phone: Ints) -> Ints:
    """The slot in which a phone sends, spread evenly whatever range of phones a process holds."""
    made: Ints = (np.asarray(phone, np.int64) * 11) % SLOTS  # 11 and 25 share no factor
    return made


def due_s(span: Ints | int, slot: Ints | int, span_s: float) -> Floats:
    """When packet ``span`` of a phone in ``slot`` is due: its last sample is taken at (span + 1) * span_s."""
    made: Floats = (np.asarray(span, np.float64) + 1.0 + np.asarray(slot, np.float64) / SLOTS) * span_s
    return made


def probe_round(span: Ints | int, phone: Ints) -> Ints:
    """Where a probe is in its round at packet ``span``: it speaks below PROBE_SPEAKS; rounds are staggered by phone."""
    made: Ints = (np.asarray(span, np.int64) + 3 * np.asarray(phone, np.int64)) % PROBE_SPANS
    return made


def probes(scenario: Scenario) -> Ints:
    """Which phones are probes: spread over the house, at most a tenth of it.

    A search for the limit has them among its first phones, a tenth of those too: most of the numbers it tries are far
    below the most, and a percentile of a few wakings is chance.
    """
    count = min(scenario.probes, scenario.phones // 10)
    within = min(scenario.phones, 10 * count) if scenario.limit.start else scenario.phones
    made: Ints = np.unique(np.linspace(0, within - 1, count).astype(np.int64)) if count else np.empty(0, int)
    return made


def joins(count: int, joining: Joining, seed: int) -> Floats:
    """When each phone joins, in [0, over_s]: the arrival density grows linearly by ``rush``, phones in random order."""
    draw = np.random.default_rng((seed, 1))
    share = (np.arange(count) + draw.uniform(0.0, 1.0, count)) / max(count, 1)
    rush = joining.rush
    if rush > 0:  # density 1 - rush + 2 * rush * x, inverted
        share = (-(1 - rush) + np.sqrt((1 - rush) ** 2 + 4 * rush * share)) / (2 * rush)
    made: Floats = draw.permutation(share) * joining.over_s
    return made


def acts(scenario: Scenario) -> Acts:
    """Everything that phones do, from the scenario and its seed alone."""
    count = scenario.phones
    pieces = [(joins(count, scenario.join, scenario.seed), np.arange(count), np.full(count, Act.JOIN, np.int8))]
    dead = np.zeros(count, np.bool_)
    for number, disruption in enumerate(scenario.disruption):
        pieces.extend(_absences(disruption, dead, np.random.default_rng((scenario.seed, 2, number))))
    at_s = np.concatenate([p[0] for p in pieces])
    order = np.argsort(at_s, kind="stable")
    phone, act = np.concatenate([p[1] for p in pieces]), np.concatenate([p[2] for p in pieces])
    return Acts(at_s[order], phone[order].astype(np.int64), act[order])


def _absences(
    disruption: Disruption, dead: NDArray[np.bool_], draw: np.random.Generator
) -> list[tuple[Floats, Ints, NDArray[np.int8]]]:
    alive = np.flatnonzero(~dead)
    gone = np.sort(draw.choice(alive, round(disruption.share * len(alive)), replace=False))
    leave = disruption.at_s + draw.uniform(0.0, 1.0, len(gone)) * disruption.over_s
    act = {"cut": Act.CUT, "sleep": Act.SLEEP, "die": Act.DIE}[disruption.kind]
    made = [(leave, gone, np.full(len(gone), act, np.int8))]
    if act is Act.DIE:
        dead[gone] = True
        return made
    low, high = disruption.away_s
    back = leave + low + draw.uniform(0.0, 1.0, len(gone)) * (high - low)
    if disruption.back_together:
        back = np.full(len(gone), disruption.at_s + disruption.over_s + high)
    return [*made, (back, gone, np.full(len(gone), Act.RETURN, np.int8))]


def disturbed_until_s(scenario: Scenario) -> list[tuple[float, float]]:
    """For each disruption that ends: when it begins and when the last phone may return (recovery counts from then)."""
    made = [(d.at_s, d.at_s + d.over_s + d.away_s[1]) for d in scenario.disruption if d.kind != "die" and d.share > 0]
    if scenario.house.restart_relay_at_s > 0:
        made.append((scenario.house.restart_relay_at_s, scenario.house.restart_relay_at_s))
    return sorted(made)

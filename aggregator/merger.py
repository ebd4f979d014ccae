"""From parts to the published snapshot: exact merge, glides to the fallback, slew, state, notices. Pure numpy.

Parts add up as integers, so the order of owners and their number change no bit. What is published moves by at most
0.5 a second (contract 11): seats, sections and house alike. Freeze, safe and neutral are the outputs' business.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator import house
from aggregator.blank_control import BlankControl
from aggregator.dsp.columns import Floats
from aggregator.house_notices import present, sentences
from aggregator.linkage import LinkageTracker
from aggregator.merge import Merged, merge
from aggregator.seat_glide import SLEW_PER_S, SeatGlide
from aggregator.seat_links import SeatLinks
from aggregator.snapshot import SUM_UNIT, Estimate, PartSnapshot, PerformerValue, Snapshot
from aggregator.synchrony import synchrony
from aggregator.synchrony_glide import SynchronyGlide
from relay.seat_plan import SeatPlan

__all__ = ["Merged", "Merger", "merge"]

EMPTY_GLIDE_PER_S = 0.1  # back to rest when nobody counts: slow, nothing happened on stage
SLOPE_S = 2.0  # a crescendo's length; shorter is noise of the slew


class Merger:
    """Publishes a snapshot a tick, and holds the published values, so that nothing ever jumps.

    ``publish`` is called once a tick with the parts that came; ``missing`` are the shards that did not. The same
    calls give the same bits. ``arrays`` and ``load`` carry everything over to a warm follower or a checkpoint.
    """

    def __init__(self, plan: SeatPlan, *, tick_hz: float, epoch: int = 0) -> None:
        if not tick_hz > 0:
            raise ValueError(f"tick_hz: found {tick_hz}, allowed > 0")
        self.plan, self.tick_hz, self.epoch, self.sequence = plan, tick_hz, epoch, 0
        self.linkage, self.blanks, self.synchrony = LinkageTracker(), BlankControl(), SynchronyGlide()
        self._seats, self._links = SeatGlide(plan, tick_hz), SeatLinks(plan.seats)
        rows = len(plan.sections) + 1  # sections, then the house
        self._values = np.tile([0.5, 0.5, 0.5, 0.5, 0.0, 1.0], (rows, 1))  # columns as house.Estimates.values
        self._past = np.full((max(2, round(SLOPE_S * tick_hz) + 1), rows), 0.5)
        steps = np.arange(len(self._past)) - (len(self._past) - 1) / 2
        self._slope_by = (steps / np.sum(steps * steps) * tick_hz)[:, None]

    def publish(self, parts: Sequence[PartSnapshot], *, missing: Sequence[int] = ()) -> Snapshot:
        """Merge, glide, limit, publish.

        Sections and house move towards their estimates by at most 0.5 a second; the slope is the least squares line
        through the last 2 s of what was published. With h the published house, each seat moves by at most 0.5 a
        second towards ``(1 - fade) * own + fade * h``. A section in which nobody counts glides to the house, a house
        in which nobody counts to 0.5, by 0.1 a second.

        Raises:
            ValueError: as :func:`merge`, or a seat beyond the plan.
        """
        merged = merge(parts)
        missing = tuple(sorted(missing))
        merged = self._seats.deliver(merged, missing)
        estimates = self._estimates(merged)
        self._seats.glide(estimates[-1].arousal)
        self.sequence += 1
        states = merged.states.sum(axis=0)
        return Snapshot(
            k=merged.k,
            sequence=self.sequence,
            epoch=max(self.epoch, merged.epoch),
            cut_ms=merged.cut_ms,
            part=merged.part,
            arousal=self._seats.published.astype(np.float32),
            confidence=self._seats.shown_confidence.astype(np.float32),
            state=self._seats.state.copy(),
            house=estimates[-1],
            sections=tuple((s.key, e) for s, e in zip(self.plan.sections, estimates, strict=False)),
            states=states,
            performers=self._performers(merged, estimates[-1]),
            missing=missing,
            left_out=merged.left_out,
            links=self._links.of(parts),
            notices=sentences(estimates[-1], states, missing, self.blanks.penalty, merged.left_out),
            counters=merged.counters,
        )

    def _estimates(self, merged: Merged) -> list[Estimate]:
        """Sections in the plan's order, then the house."""
        weights = np.concatenate([merged.weights, merged.weights.sum(axis=0)[None]])
        made = house.estimate(weights, np.append(merged.sums, merged.sums.sum()))
        counted = np.append(merged.counted, merged.counted.sum())
        here = present(merged.states)
        trust = house.confidence(made, np.append(here, here.sum()))
        self._glide(made)
        left = 1.0 - self._blank_penalty(merged)
        trust[-1] *= left
        slope = self._slope()
        both = self.synchrony.follow(merged.synchrony)
        rows = zip(self._values.tolist(), trust.tolist(), counted.tolist(), slope.tolist(), strict=True)
        estimates = [
            Estimate(v[0], sure, count, v[1], v[2], v[3], v[4], v[5], rising) for v, sure, count, rising in rows
        ]
        estimates[-1] = replace(estimates[-1], synchrony=both[0], synchrony_confidence=left * both[1])
        return estimates

    def _glide(self, made: house.Estimates) -> None:
        """Move the published values; clipping keeps low <= p10.. <= high in order, as one step is for all."""
        target, some = made.values, made.listeners > 0
        step = np.where(some, SLEW_PER_S, EMPTY_GLIDE_PER_S)[:, None] / self.tick_hz
        values = self._values
        values[-1] += np.clip(target[-1] - values[-1], -step[-1], step[-1])
        goal = np.where(some[:, None], target, values[-1])[:-1]
        values[:-1] += np.clip(goal - values[:-1], -step[:-1], step[:-1])

    def _slope(self) -> Floats:
        """Change per second of each published arousal, least squares over the last 2 s."""
        past = self._past
        past[:-1] = past[1:].copy()
        past[-1] = self._values[:, 0]
        slope: Floats = np.sum(self._slope_by * (past - past[-1]), axis=0)
        return slope

    def _blank_penalty(self, merged: Merged) -> float:
        total = int(merged.blank_weights.sum())
        blank = (1.0 + merged.blank_sum / (SUM_UNIT * total)) / 2 if total else float("nan")
        measured = float(self._values[-1, 0]) if merged.counted.any() else float("nan")
        alike = (0.0, 0.0)
        if merged.blank_synchrony is not None:
            made = synchrony(merged.blank_synchrony)
            alike = made.combined, made.combined_confidence
        return self.blanks.push(merged.cut_ms, measured, blank, alike)

    def _performers(self, merged: Merged, whole: Estimate) -> tuple[PerformerValue, ...]:
        """Performers with the linkage of the house to each."""
        known = {p.name: p.arousal for p in merged.performers if p.confidence > 0}
        value = whole.arousal if whole.counted else float("nan")
        self.linkage.push(merged.cut_ms, value, known)
        return tuple(replace(p, linkage=self.linkage.linkage(p.name)) for p in merged.performers)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything that the next tick depends on, by name, for a checkpoint or a warm follower."""
        made: dict[str, NDArray[Any]] = {"sequence": np.array([self.sequence, self.epoch], np.int64)}
        made |= {"values": self._values.copy(), "past": self._past.copy()}
        for prefix, inner in self._inner():
            made |= {f"{prefix}.{name}": array for name, array in inner.arrays().items()}
        return made

    def _inner(self) -> tuple[tuple[str, SeatGlide | BlankControl | LinkageTracker | SynchronyGlide], ...]:
        """What keeps state of its own, by its prefix in :meth:`arrays`."""
        return (
            ("seats", self._seats),
            ("blanks", self.blanks),
            ("linkage", self.linkage),
            ("synchrony", self.synchrony),
        )

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Go on from :meth:`arrays` of a merger with the same plan and rate: the next snapshot has the same bits.

        Raises:
            ValueError: saved with another plan or rate.
        """
        for name, here in (("values", self._values), ("past", self._past)):
            if saved[name].shape != here.shape:
                raise ValueError(f"merger: saved {name} {saved[name].shape}, expected {here.shape}")
            here[:] = saved[name]
        self.sequence, self.epoch = (int(v) for v in saved["sequence"])
        for prefix, inner in self._inner():
            start = len(prefix) + 1
            inner.load({name[start:]: array for name, array in saved.items() if name.startswith(prefix + ".")})

"""The aggregator's metrics for Prometheus, gathered when asked. Shell.

Names follow its conventions (a unit suffix, ``_total`` for counters); no label names a seat or a listener. The table
in :data:`TABLE` is what the documentation prints.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import generate_latest

from aggregator import sharing_metrics
from aggregator.service import Service
from aggregator.snapshot import LeftOut, SeatState

#: States in which a listener's own value reaches the house.
SENDING = (SeatState.SETTLING, SeatState.RESTING, SeatState.FOLLOWING)
PRESENT = tuple(s for s in SeatState if s is not SeatState.ABSENT)

TABLE: dict[str, str] = {
    "ripieno_aggregator_ticks_total": "Ticks computed",
    "ripieno_aggregator_snapshots_sent_total": "Snapshots handed to the outputs",
    "ripieno_aggregator_snapshots_late_total": "Snapshots computed too late to be sent",
    "ripieno_aggregator_entries_total": "Bus entries read",
    "ripieno_aggregator_bus_failures_total": "Times the bus did not answer",
    "ripieno_aggregator_checkpoints_total": "Checkpoints written",
    "ripieno_aggregator_checkpoint_failures_total": "Checkpoints that could not be written",
    "ripieno_aggregator_output_failures_total": "Times an output raised an error",
    "ripieno_aggregator_rewinds_total": "Times the bus failed over and its last 10 s were read again",
    "ripieno_aggregator_erasures_cleared_total": "Times the bus and its files were cleared after erasures",
    "ripieno_aggregator_erasure_failures_total": "Times what is left of an erased listener could not be removed",
    "ripieno_aggregator_tick_seconds": "Time a tick took, by quantile over the last ticks",
    "ripieno_aggregator_output_age_seconds": "Time since it last sent a snapshot; not there before the first",
    "ripieno_aggregator_failing_targets": "Open Sound Control targets that fail now: unknown, unreachable or refusing",
    "ripieno_aggregator_epoch": "Epoch of this aggregator",
    "ripieno_house_listeners": "Listeners by state",
    "ripieno_house_sending_ratio": "Share of present listeners whose own value counts",
    "ripieno_house_confidence_ratio": "Confidence of the house's arousal",
    "ripieno_house_arousal_ratio": "The house's arousal, 0.5 is rest",
    "ripieno_house_channel_listeners": "Listeners measured for a minute or more whose sensor has the channel",
    "ripieno_house_left_out_listeners": "Of these, listeners left out of the channel: faint, cold, loose or moving",
    "ripieno_engine_events_total": "Events inside the engine, by kind (gaps, duplicates, refusals …)",
    **sharing_metrics.TABLE,
}


class AggregatorCollector:
    """A Prometheus collector over one service's plain counters; nothing is counted twice to be scraped."""

    def __init__(self, service: Service, failing_targets: int = 0) -> None:
        self.service, self.failing_targets = service, failing_targets

    def collect(self) -> Iterator[Metric]:
        """All metrics, at scrape time."""
        c = self.service.counters
        plain = {
            "ticks": c.ticks, "snapshots_sent": c.sent, "snapshots_late": c.late_not_sent, "entries": c.entries,
            "bus_failures": c.bus_failures, "checkpoints": c.checkpoints,
            "checkpoint_failures": c.checkpoint_failures, "output_failures": c.sink_failures, "rewinds": c.rewinds,
            "erasures_cleared": self.service.traces.cleared, "erasure_failures": self.service.traces.failures,
        }  # fmt: skip
        for name, value in plain.items():
            yield _counter(f"ripieno_aggregator_{name}_total", value)
        yield self._tick_seconds()
        yield _gauge("ripieno_aggregator_failing_targets", self.failing_targets)
        yield _gauge("ripieno_aggregator_epoch", self.service.engine.epoch)
        age_s = self.service.sent_age_s()
        if age_s is not None:
            yield _gauge("ripieno_aggregator_output_age_seconds", age_s)
        yield from self._house()
        family = CounterMetricFamily("ripieno_engine_events", TABLE["ripieno_engine_events_total"], labels=["kind"])
        for kind, count in self.service.engine.counters.items():
            family.add_metric([kind], count)
        yield family
        yield from sharing_metrics.collect(self.service)

    def _tick_seconds(self) -> Metric:
        family = GaugeMetricFamily(
            "ripieno_aggregator_tick_seconds", TABLE["ripieno_aggregator_tick_seconds"], labels=["quantile"]
        )
        took = np.asarray(self.service.tick_ms or [0.0])
        for quantile in (0.5, 0.99):
            family.add_metric([f"{quantile:g}"], float(np.quantile(took, quantile)) / 1000)
        return family

    def _house(self) -> Iterator[Metric]:
        snapshot = self.service.last
        if snapshot is None:
            return
        states = snapshot.states
        family = GaugeMetricFamily("ripieno_house_listeners", TABLE["ripieno_house_listeners"], labels=["state"])
        for state in PRESENT:
            family.add_metric([state.name.lower()], int(states[state]))
        yield family
        present = sum(int(states[s]) for s in PRESENT)
        sending = sum(int(states[s]) for s in SENDING)
        yield _gauge("ripieno_house_sending_ratio", sending / present if present else 0.0)
        yield _gauge("ripieno_house_confidence_ratio", snapshot.house.confidence)
        yield _gauge("ripieno_house_arousal_ratio", snapshot.house.arousal)
        yield from _left_out(snapshot.left_out)


def exposition(service: Service, failing_targets: int = 0) -> bytes:
    """The text that Prometheus reads."""
    registry = CollectorRegistry()
    registry.register(AggregatorCollector(service, failing_targets))
    return generate_latest(registry)


def _left_out(left_out: LeftOut) -> Iterator[Metric]:
    """Gauges: at most so many as there are listeners, and 0 as soon as all can be measured."""
    for number, name in enumerate(("ripieno_house_left_out_listeners", "ripieno_house_channel_listeners")):
        family = GaugeMetricFamily(name, TABLE[name], labels=["channel"])
        for channel, pair in left_out.items():
            family.add_metric([channel], pair[number])
        yield family


def _counter(name: str, value: float) -> Metric:
    family = CounterMetricFamily(name.removesuffix("_total"), TABLE[name])
    family.add_metric([], value)
    return family


def _gauge(name: str, value: float) -> Metric:
    family = GaugeMetricFamily(name, TABLE[name])
    family.add_metric([], value)
    return family

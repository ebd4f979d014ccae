"""Prometheus text, made at scrape time from plain counters: names by its conventions, no label a seat or listener.

| metric | type | what |
|---|---|---|
| ``ripieno_relay_connections`` | gauge | open connections |
| ``ripieno_relay_joined`` | gauge | phones that gave consent and stream |
| ``ripieno_relay_bus_up`` | gauge | 1 while the bus accepts |
| ``ripieno_relay_connections_opened_total`` | counter | connections since the start |
| ``ripieno_relay_connections_turned_away_total`` | counter | told to come back later, in a storm |
| ``ripieno_relay_closes_total{code}`` | counter | closes by the relay, by close code |
| ``ripieno_relay_packets_total`` | counter | packets queued for the bus |
| ``ripieno_relay_packet_bytes_total`` | counter | their bytes |
| ``ripieno_relay_entries_accepted_total`` | counter | packets and control entries that the bus accepted |
| ``ripieno_relay_acks_total`` | counter | acknowledgements sent |
| ``ripieno_relay_refused_total{code}`` | counter | refusals by the code of PROTOCOL.md |
| ``ripieno_relay_untaken_total`` | counter | not queued: the backlog was full |
| ``ripieno_relay_appends_total``, ``_append_failures_total`` | counter | writes to the bus, and those it refused |
| ``ripieno_relay_resent_total`` | counter | packets and entries written again after a failure |
| ``ripieno_relay_backlog_items``, ``_backlog_bytes`` | gauge | waiting for the bus, with ``_bound`` twins |
| ``ripieno_relay_bus_entries``, ``_bus_bytes`` | gauge | held by an in-process bus, with ``_bound`` twins |
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

if TYPE_CHECKING:
    from relay.server import RelayStatistics

_PREFIX = "ripieno_relay_"


class RelayCollector:
    """Reads one :class:`relay.server.RelayStatistics` into metric families."""

    def __init__(self, statistics: RelayStatistics) -> None:
        self._statistics = statistics

    def collect(self) -> Iterator[Metric]:
        """The families of the table above."""
        s = self._statistics
        gauges = {
            "connections": s.connections, "joined": s.joined, "bus_up": int(s.bus_ok),
            "backlog_items": s.outboxes.items, "backlog_items_bound": s.outboxes.bound_items,
            "backlog_bytes": s.outboxes.bytes, "backlog_bytes_bound": s.outboxes.bound_bytes,
            "bus_entries": s.bus.entries, "bus_entries_bound": s.bus.bound_entries,
            "bus_bytes": s.bus.bytes, "bus_bytes_bound": s.bus.bound_bytes,
        }  # fmt: skip
        counters = {
            "connections_opened": s.counters.opened, "connections_turned_away": s.counters.turned_away,
            "packets": s.counters.packets, "packet_bytes": s.counters.packet_bytes,
            "entries_accepted": s.counters.acknowledged, "acks": s.counters.acks_sent,
            "untaken": s.counters.untaken, "appends": s.counters.appends,
            "append_failures": s.counters.append_failures, "resent": s.outboxes.resent,
        }  # fmt: skip
        for name, value in gauges.items():
            yield GaugeMetricFamily(_PREFIX + name, _HELP.get(name, name), value)
        for name, value in counters.items():
            yield CounterMetricFamily(_PREFIX + name, _HELP.get(name, name), value)
        yield _by_code("closes", {str(code): n for code, n in s.counters.closes.items()})
        yield _by_code("refused", s.refused)


_HELP = {
    "connections": "Open connections.",
    "joined": "Phones that gave consent and stream.",
    "bus_up": "1 while the bus accepts.",
    "packets": "Packets queued for the bus.",
    "entries_accepted": "Packets and control entries that the bus accepted.",
    "untaken": "Packets not queued because the backlog was full.",
}


def _by_code(name: str, values: dict[str, int]) -> CounterMetricFamily:
    family = CounterMetricFamily(_PREFIX + name, f"{name} by code", labels=["code"])
    for code, value in values.items():
        family.add_metric([code], value)
    return family


def exposition(statistics: RelayStatistics) -> bytes:
    """The text format, version 0.0.4."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(RelayCollector(statistics))
    return generate_latest(registry)

"""Metrics of a house whose computing is shared. Where every aggregator computes all of it they are 0, but for the
missing shards of one that has stopped computing. Shell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from aggregator.collector import CollectorCounters
from aggregator.parts_channel import ChannelCounters
from aggregator.service import LATE_LIMIT_MS, Service
from aggregator.shared_service import SharedService, SharingCounters

STALE_S = LATE_LIMIT_MS / 1000  # what is merged later than that is sent to nobody
TABLE: dict[str, str] = {
    "ripieno_house_missing_shards": "Shards left out of the newest snapshot (seats held); all while nothing is merged",
    "ripieno_sharing_owned_portions": "Portions of a shared house that this aggregator owns",
    "ripieno_sharing_computed_portions": "Portions that it computes: owned, and followed warm",
    "ripieno_sharing_ticks_total": "Ticks of a shared house by kind: whole, partial, not merged",
    "ripieno_sharing_parts_total": "Parts by kind: taken, late, early, fenced (an old lease's), repeated, unreadable …",
    "ripieno_sharing_messages_total": "Messages between aggregators by kind: sent, received, lost at a bound, failures",
}


def collect(service: Service) -> Iterator[Metric]:
    """All of :data:`TABLE`, at scrape time."""
    missing = _missing(service)
    ticks, channel, share, owned, computed = CollectorCounters(), ChannelCounters(), SharingCounters(), 0, 0
    if isinstance(service, SharedService):
        ticks, channel, share = service.collector.counters, service.channel.counters, service.share
        owned, computed = len(service.owned()), len(service.portions.engines)
    yield _gauge("ripieno_house_missing_shards", missing)
    yield _gauge("ripieno_sharing_owned_portions", owned)
    yield _gauge("ripieno_sharing_computed_portions", computed)
    counts = asdict(ticks)
    yield _counter("ripieno_sharing_ticks_total", _under(counts, "ticks_"))
    told = {"unreadable": share.malformed, "other_house": share.other_house, "published": share.published}
    yield _counter("ripieno_sharing_parts_total", _under(counts, "parts_") | told)
    yield _counter("ripieno_sharing_messages_total", asdict(channel))


def _missing(service: Service) -> int:
    """All of them once nothing has been merged for a second (two ticks, where those are longer), whatever the last
    snapshot said."""
    if service.last_age_s() > max(STALE_S, 2.0 / service.engine.tick_hz):
        return service.bus.shards
    return len(service.last.missing) if service.last is not None else 0


def _under(counts: dict[str, int], prefix: str) -> dict[str, int]:
    return {name.removeprefix(prefix): n for name, n in counts.items() if name.startswith(prefix)}


def _gauge(name: str, value: float) -> Metric:
    family = GaugeMetricFamily(name, TABLE[name])
    family.add_metric([], value)
    return family


def _counter(name: str, by_kind: dict[str, int]) -> Metric:
    family = CounterMetricFamily(name.removesuffix("_total"), TABLE[name], labels=["kind"])
    for kind, count in by_kind.items():
        family.add_metric([kind], count)
    return family

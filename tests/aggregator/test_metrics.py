"""The aggregator's metrics: conventions, the documented table, and the alert rules' names."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.metrics import TABLE, exposition
from aggregator.service import Service
from relay import metrics as relay_metrics
from relay.bus_memory import MemoryBus
from relay.seat_plan import generated

ROOT = Path(__file__).resolve().parents[2]


def exposed() -> dict[str, float]:
    plan = generated(12)
    engine = Engine(plan, t0_ms=1000, tick_hz=20.0)
    service = Service(MemoryBus(), engine, Merger(plan, tick_hz=20.0, epoch=5), ())
    service.last = service.merger.publish([engine.tick(0)])
    service.tick_ms.extend([1.0, 3.0])
    text = exposition(service).decode()
    found = {s.name: s.value for f in text_string_to_metric_families(text) for s in f.samples}
    labels = {key for f in text_string_to_metric_families(text) for s in f.samples for key in s.labels}
    assert labels <= {"quantile", "state", "kind"}  # none that names a seat or a listener
    return found


def test_what_is_exposed_is_what_is_documented() -> None:
    document = (ROOT / "aggregator" / "METRICS.md").read_text()
    assert set(exposed()) == set(TABLE)
    assert set(re.findall(r"^\| `(\w+)`", document, re.MULTILINE)) == set(TABLE)
    for name, said in TABLE.items():
        assert f"| `{name}` | {said} |" in document


def test_names_keep_the_conventions() -> None:
    """Prometheus' own: base units, counters end in _total."""
    for name in TABLE:
        assert re.fullmatch(r"ripieno_[a-z_]+(_total|_seconds|_ratio|_epoch|_listeners)", name)


def test_values() -> None:
    found = exposed()
    assert found["ripieno_aggregator_tick_seconds"] == pytest.approx(
        0.003 * 0.99 + 0.001 * 0.01
    )  # numpy's linear quantile
    assert found["ripieno_house_arousal_ratio"] == 0.5
    assert found["ripieno_house_sending_ratio"] == 0.0


def test_alert_rules_ask_for_metrics_that_exist() -> None:
    rules = (ROOT / ".container" / "alerts.yml").read_text()
    known = set(TABLE) | set(re.findall(r"ripieno_relay_\w+", relay_metrics.__doc__ or ""))
    asked = set(re.findall(r"ripieno_\w+", rules))
    assert asked
    assert asked <= known, asked - known

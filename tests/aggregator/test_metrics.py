"""The aggregator's metrics: conventions, the documented table, and the alert rules' names."""

from __future__ import annotations

import re
import shutil
import subprocess
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
    service._send(service.last, late_ms=0.0)
    service.tick_ms.extend([1.0, 3.0])
    text = exposition(service, 2).decode()
    found = {s.name: s.value for f in text_string_to_metric_families(text) for s in f.samples}
    labels = {key for f in text_string_to_metric_families(text) for s in f.samples for key in s.labels}
    assert labels <= {"quantile", "state", "kind", "channel"}  # none that names a seat or a listener
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
        assert re.fullmatch(
            r"ripieno_[a-z_]+(_total|_seconds|_ratio|_epoch|_listeners|_targets|_portions|_shards)", name
        )


def test_values() -> None:
    found = exposed()
    assert found["ripieno_aggregator_tick_seconds"] == pytest.approx(
        0.003 * 0.99 + 0.001 * 0.01
    )  # numpy's linear quantile
    assert found["ripieno_house_arousal_ratio"] == 0.5
    assert found["ripieno_aggregator_failing_targets"] == 2
    assert found["ripieno_house_sending_ratio"] == 0.0


def test_alert_rules_ask_for_metrics_that_exist() -> None:
    rules = (ROOT / ".container" / "alerts.yml").read_text()
    known = set(TABLE) | set(re.findall(r"ripieno_relay_\w+", relay_metrics.__doc__ or ""))
    asked = set(re.findall(r"ripieno_\w+", rules))
    assert asked
    assert asked <= known, asked - known


def test_a_spare_that_computes_has_sent_nothing() -> None:
    """The alert about the outputs asks who sends; what a spare or the page computes for itself must not hush it."""
    plan = generated(12)
    engine = Engine(plan, t0_ms=1000, tick_hz=20.0)
    now = [50.0]
    service = Service(MemoryBus(), engine, Merger(plan, tick_hz=20.0, epoch=5), (), clock=lambda: now[0])
    service.last = service.merger.publish([engine.tick(0)])
    assert "output_age" not in exposition(service).decode()
    service._send(service.last, late_ms=5000.0)  # computed too late to be sent
    assert "output_age" not in exposition(service).decode()
    service._send(service.last, late_ms=0.0)
    now[0] += 7.0
    assert "ripieno_aggregator_output_age_seconds 7.0" in exposition(service).decode()


def scraped(job: str) -> set[str]:
    """The containers of one job of prometheus.yml."""
    text = (ROOT / ".container" / "prometheus.yml").read_text()
    targets = text.split(f"job_name: {job}")[1].split("job_name")[0]
    return set(re.findall(r'"([\w-]+):\d+"', targets))


def test_the_watching_page_is_no_spare() -> None:
    compose = (ROOT / "compose.yaml").read_text()
    named = re.findall(r'command: \["aggregate", (.*?)"--name", "([\w-]+)"\]', compose)
    leading = {name for options, name in named if "--watch" not in options}
    assert scraped("aggregator") == leading == {"aggregator-a", "aggregator-b"}
    assert scraped("monitor") == {name for options, name in named if "--watch" in options}


PROMTOOL = shutil.which("promtool")
CASES = """\
rule_files: [{rules}]
evaluation_interval: 5s
tests:
  - interval: 5s
    input_series:
      - {{series: 'up{{job="aggregator",instance="a"}}', values: '1x10 0x60'}}
      - {{series: 'up{{job="aggregator",instance="b"}}', values: '1x70'}}
      - {{series: 'up{{job="monitor",instance="m"}}', values: '1x70'}}
      - {{series: 'ripieno_aggregator_output_age_seconds{{instance="b"}}', values: '0x70'}}
    promql_expr_test:
      - {{expr: 'count(ALERTS{{alertname="NoSpare",alertstate="firing"}})', eval_time: 4m, exp_samples: [{{value: 1}}]}}
      - {{expr: 'count(ALERTS{{alertname="NoSnapshotLeaves",alertstate="firing"}})', eval_time: 4m, exp_samples: []}}
  - interval: 5s
    input_series:
      - {{series: 'up{{job="aggregator",instance="a"}}', values: '1x10 0x60'}}
      - {{series: 'up{{job="aggregator",instance="b"}}', values: '1x10 0x60'}}
      - {{series: 'up{{job="relay",instance="r"}}', values: '1x10 0x60'}}
      - {{series: 'ripieno_aggregator_output_age_seconds{{instance="b"}}', values: '0x10 stale'}}
    promql_expr_test:
      - {{expr: 'count(ALERTS{{alertname=~"NoSpare|NoSnapshotLeaves|RelayLost",alertstate="firing"}})', eval_time: 4m,
         exp_samples: [{{value: 3}}]}}
  - interval: 5s
    input_series:
      - {{series: 'ripieno_house_sending_ratio{{instance="a"}}', values: '1x10 0x60'}}
      - {{series: 'ripieno_house_listeners{{instance="a",state="held"}}', values: '0x10 200x60'}}
    promql_expr_test:
      - {{expr: 'count(ALERTS{{alertname="FewListenersSend",alertstate="firing"}})', eval_time: 4m,
         exp_samples: [{{value: 1}}]}}
"""


@pytest.mark.skipif(PROMTOOL is None, reason="Prometheus' promtool is not installed")
def test_alerts_fire_when_what_they_watch_is_gone(tmp_path: Path) -> None:
    cases = tmp_path / "cases.yml"
    cases.write_text(CASES.format(rules=ROOT / ".container" / "alerts.yml"))
    done = subprocess.run([str(PROMTOOL), "test", "rules", str(cases)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_what_can_be_gone_is_asked_for_as_gone() -> None:
    """For machines without promtool: a value that is not there compares with nothing."""
    rules = dict(re.findall(r"alert: (\w+)\n\s+expr: (.*)", (ROOT / ".container" / "alerts.yml").read_text()))
    assert "absent(" in rules["NoSnapshotLeaves"]
    assert rules["NoSpare"].startswith("sum(up{")  # a count of what is up is empty, not zero, when nothing is
    assert "up{" in rules["RelayLost"]
    assert "ripieno_house_sending_ratio) > 0" not in rules["FewListenersSend"]  # nobody sends is the worst of few

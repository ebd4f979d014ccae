"""A small fault campaign, and that its judge sees what is planted: a lost entry, a changed bit, a late lead, a jump."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import pytest

from relay.entries import Entry, decode_packets, is_packets
from tests.faults import play
from tests.faults_campaign import Moment, Outcome, Plan
from tests.faults_judge import Verdict, cold_s, gap_s, judge, late_sends, silence_s
from tests.faults_witness import Sent
from tests.redis_servers import needs_redis

PLAN = Plan(phones=40, moments=4, seed=11, rest_s=10.0, pause_s=1.0, settle_s=3.0, cold=False)


def failing(verdict: Verdict) -> set[str]:
    return {what for what, _, _, ok in verdict.rows if not ok}


@needs_redis
@pytest.mark.slow
@pytest.mark.timeout(150)
def test_a_campaign_holds_and_planted_faults_are_seen(tmp_path: Path) -> None:
    said: list[str] = []
    outcome = play("single", PLAN, tmp_path, said.append)
    verdict = judge(outcome)
    assert verdict.holds, "\n".join([*said, verdict.table()])
    plant(outcome)
    assert failing(judge(outcome)) >= {
        "of these, not on the bus",
        "values compared with the replay / different",
        "fastest move of the house",
        "roles that ended by themselves",
    }


def packets(entry: Entry) -> list[tuple[int, int]]:
    """(stream, sequence) of each packet in an entry."""
    batch = decode_packets(entry.payload)
    sequences = (struct.unpack_from("<I", batch.payload, start + 4)[0] for start in batch.starts.tolist())
    return [(int(r["stream"]), sequence) for r, sequence in zip(batch.records, sequences, strict=True)]


def plant(outcome: Outcome) -> None:
    """A stream's packets are lost for a while, the house's value jumps in one datagram, a role has died."""
    stream = max(outcome.recorder.streams, key=lambda entries: sum(len(e.payload) for e in entries))
    third = len(stream) // 3
    gone = [entry for entry in stream[third : 2 * third] if is_packets(entry.payload)]
    lost = next(
        p for e in gone for p in packets(e) if any(p[1] in ack for ack in outcome.deliveries[p[0]].acknowledged)
    )
    # What was lost a phone may have sent twice (its ring, after a change of the bus): of one packet nothing is left.
    stream[:] = [e for e in stream if e not in gone and not (is_packets(e.payload) and lost in packets(e))]
    tag = b"/house/arousal\0\0,ffi\0\0\0\0"
    place = next(i for i, (_, raw) in enumerate(outcome.engine.raw) if tag in raw and i > len(outcome.engine.raw) // 2)
    at_s, raw = outcome.engine.raw[place]
    first = raw.index(tag) + len(tag)
    (value,) = struct.unpack_from(">f", raw, first)
    jumped = struct.pack(">f", value + 0.3 if value < 0.5 else value - 0.3)
    outcome.engine.raw[place] = (at_s, raw[:first] + jumped + raw[first + 4 :])
    outcome.deaths.append("planted")


def sent(at_s: float, epoch: int, sequence: int) -> Sent:
    return Sent(at_s, epoch, sequence, round(at_s * 1000), False, ())


def test_late_sends_are_counted_by_snapshot() -> None:
    series = [sent(0.0, 1, 1), sent(0.1, 2, 7), sent(0.2, 1, 2), sent(0.2, 1, 2), sent(0.3, 1, 3)]
    assert late_sends(series) == {1: 2, 2: 0}
    assert late_sends([replace(s, epoch=s.epoch) for s in series[:2]]) == {1: 0, 2: 0}


def test_a_gap_runs_from_the_old_lead_to_the_new() -> None:
    moment = Moment(1.0, "lead-kill", "a", 0.0)
    series = [sent(0.9, 1, 1), sent(1.02, 1, 2), sent(1.9, 2, 9)]
    assert gap_s(moment, series) == pytest.approx(0.88)
    assert gap_s(moment, series[:2]) == float("inf")


def test_a_silence_is_measured_to_the_snapshot_that_ends_it() -> None:
    moment = Moment(10.0, "bus-kill", "bus", 1.0, whole_s=2.0)
    times = [9.6, 9.9, 10.2, 16.2, 16.3]
    published = [sent(at_s, 1, number) for number, at_s in enumerate(times)]
    assert silence_s(moment, published) == pytest.approx(6.0)  # longer than the fault's own window of 3 s
    assert silence_s(moment, published[:3]) == float("inf")
    assert silence_s(moment, []) == float("inf")


def test_a_cold_start_counts_from_the_kill_or_from_a_bus_that_is_back() -> None:
    moment = Moment(10.0, "cold", "a", 0.0)
    published = [sent(7.0, 1, 1), sent(14.0, 2, 2)]
    assert cold_s(moment, [], published) == pytest.approx(4.0)
    assert cold_s(moment, [(5.0, 9.0)], published) == pytest.approx(4.0)  # back before the kill
    assert cold_s(moment, [(8.0, 12.5)], published) == pytest.approx(1.5)
    assert cold_s(moment, [(12.0, 12.5), (15.0, 20.0)], published) == pytest.approx(4.0)  # slow, and later
    assert cold_s(moment, [], published[:1]) == float("inf")

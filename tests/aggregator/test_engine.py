"""The engine as a whole: consent, claims, erasure, parts, performers, bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import orjson
import pytest

from aggregator import engine as engine_module
from aggregator.engine import Engine
from aggregator.listeners import Role
from aggregator.snapshot import SeatState
from relay.entries import (
    Baseline,
    Command,
    Consent,
    Departure,
    Entry,
    Erase,
    HousePrior,
    Join,
    Marker,
    Part,
    Stamp,
    encode_control,
)
from relay.seat_plan import generated
from tests.aggregator.helper_engine import TICK_HZ, Drive, engine, evening, same
from tests.aggregator.helper_signals import T0_MS, Phone, Sent, Tape, batch, house


def at(seconds: float) -> int:
    return T0_MS + round(seconds * 1000)


def test_cuts_are_a_rule() -> None:
    made = Engine(generated(1), t0_ms=T0_MS, tick_hz=44)
    assert [made.cut_ms(k) - T0_MS for k in range(4)] == [0, 23, 46, 69]
    assert made.cut_ms(44) - T0_MS == 1000
    with pytest.raises(ValueError, match="tick_hz"):
        Engine(generated(1), t0_ms=T0_MS, tick_hz=0.5)


def test_ticks_run_forwards() -> None:
    made = engine(1)
    made.tick(5)
    with pytest.raises(ValueError, match="tick 5 after tick 5"):
        made.tick(5)


def test_an_empty_house_has_a_snapshot() -> None:
    part = engine(3).tick(1)
    assert len(part.seat) == 0
    assert part.weights.sum() == part.counted.sum() == part.states.sum() == 0
    assert part.performers == ()


def test_entries_of_the_future_wait() -> None:
    tape = evening([Phone(1)], 2)
    made = engine(1)
    made.ingest(sorted(tape.entries, key=lambda e: (e.stream, e.stamp)))
    first = made.tick(1)
    assert first.counters["packets"] == 0
    assert made.tick(round(1 * TICK_HZ)).counters["packets"] == 3
    assert made.positions()[1].ms < at(1)


def test_entries_read_twice_are_used_once() -> None:
    tape = evening([Phone(1)], 1)
    made = engine(1)
    entries = [e for e in tape.entries if e.stream == 1]
    made.ingest(entries)
    made.tick(20)
    made.ingest(entries)
    part = made.tick(21)
    assert part.counters["entries_stale"] == len(entries)
    assert part.counters["packets"] == 4


def test_after_a_failover_entries_are_read_again_and_used_once() -> None:
    """The new primary lacks nothing, and has one entry that the old one never showed, stamped in the past."""
    phone = Phone(1)
    tape = evening([phone], 6)
    tape.control(at(3), 1, Baseline("undo"))
    hidden = next(e for e in tape.entries if e.payload[:1] == b"\x01" and e.stamp.ms > at(2.9))
    drive = Drive(engine(1), [e for e in tape.entries if e != hidden and e.stamp.ms < at(4)])
    drive.run(4)
    made = drive.engine
    assert int(made.intake.state.head[0]) < 15
    made.rewind(1, Stamp(at(0), 0))
    again = [e for e in tape.entries if e.stream == 1 and e.stamp > Stamp(at(0), 0)]
    made.ingest(again)
    for _ in range(round(3 * TICK_HZ)):
        made.tick(made.k + 1)
    c = made.counters
    assert int(made.intake.state.head[0]) == 24
    assert (c["baselines_undone"], c["controls_repeated"], c["gaps"], c["late"]) == (1, 3, 0, 0)
    assert c["packets"] - c["duplicates"] == 24


def test_nothing_is_processed_before_consent() -> None:
    phone = Phone(1)
    tape = Tape()
    tape.control(T0_MS, phone.shard, phone.controls()[1])
    tape.send(phone.packets(1))
    tape.control(at(1.1), phone.shard, Consent(1, True, "v1"))
    tape.send(phone.packets(1, first=4))
    drive = Drive(engine(1), tape.entries)
    early = drive.run(1.1)
    assert all(len(p.seat) == 0 for p in early)
    assert len(drive.engine.features().listener) == 0
    later = drive.run(4)[-1]  # the four packets that were refused are a hole, passed after 2 s
    assert later.seat.tolist() == [1]
    assert later.counters["without_consent"] == 4
    assert np.isfinite(drive.engine.chains.arrivals.pulse_s[0])


def test_consent_before_the_claim_counts() -> None:
    phone = Phone(1)
    tape = Tape()
    consent, join = phone.controls()
    tape.control(T0_MS, phone.shard, consent)
    tape.control(T0_MS + 5, phone.shard, join)
    tape.send(phone.packets(1))
    assert Drive(engine(1), tape.entries).run(1.5)[-1].state.tolist() == [SeatState.SETTLING]


def test_withdrawal_clears_the_body_and_looks_like_an_empty_seat() -> None:
    phones = house(2)
    tape = evening(phones, 24)
    tape.control(at(24.5), phones[0].shard, Consent(phones[0].listener, False, "v1"))
    drive = Drive(engine(2), tape.entries)
    before = drive.run(24)[-1]
    assert before.seat.tolist() == [1, 2]
    after = drive.run(1)[-1]
    assert after.seat.tolist() == [2]
    row = drive.engine.listeners.row_of[phones[0].listener]
    for name, columns in drive.engine.chains.columns().items():
        fresh = type(columns).allocate(1).arrays()
        for key, column in columns.arrays().items():
            if (name, key) != ("fusion", "key"):
                assert np.array_equal(column[row], fresh[key][0], equal_nan=True), (name, key)
    assert phones[0].listener not in drive.engine.drain_events().listener
    assert drive.engine.checkpoint().find(np.uint64(phones[0].listener).tobytes()) < 0


def test_erasure_refuses_the_listener_for_the_rest_of_the_evening() -> None:
    phone = Phone(1)
    tape = evening([phone], 2)
    tape.control(at(2.2), phone.shard, Erase(1))
    for control in phone.controls():
        tape.control(at(2.4), phone.shard, control)
    tape.send(phone.packets(1, first=10))
    drive = Drive(engine(1), tape.entries)
    drive.run(2)
    assert len(drive.engine.features().listener) == 1
    last = drive.run(2)[-1]
    assert len(last.seat) == 0
    assert len(drive.engine.features().listener) == 0
    assert last.counters["claims_refused"] == 1
    assert last.counters["strangers"] == 4
    again = Engine.restore(drive.engine.checkpoint(), generated(1), epoch=2)
    assert again.listeners.tombstones == {1}


def test_a_new_stream_starts_anew_and_needs_consent_again() -> None:
    old = Phone(1, stream=1)
    new = Phone(1, stream=2, seed=5)
    tape = evening([old], 36)
    tape.control(at(36.2), old.shard, new.controls()[1])
    tape.send(_shifted(new, 36.3, 1))
    tape.control(at(38), old.shard, Consent(1, True, "v1"))
    tape.send(_shifted(new, 38.1, 3, first=4))
    drive = Drive(engine(1), tape.entries)
    assert drive.run(36)[-1].state[0] == SeatState.RESTING
    assert len(drive.run(1.5)[-1].seat) == 0
    last = drive.run(3)[-1]
    assert last.state.tolist() == [SeatState.SETTLING]
    assert last.counters["claims_replaced"] == 1
    assert last.counters["duplicates"] == 0


def _shifted(phone: Phone, start_s: float, seconds: float, first: int = 0) -> list[Sent]:
    phone.start_ms = at(start_s) - first * 250
    return phone.packets(seconds, first=first)


def test_a_reconnect_of_the_same_stream_keeps_everything() -> None:
    phone = Phone(1)
    tape = evening([phone], 42)
    for control in phone.controls():
        tape.control(at(37), phone.shard, control)
    drive = Drive(engine(1), tape.entries)
    drive.run(36)
    assert {int(p.state[0]) for p in drive.run(5)} == {SeatState.RESTING}


def test_the_newest_claim_has_the_seat() -> None:
    first, second = Phone(1, seat=1), Phone(2, seat=1, start_ms=at(1))
    drive = Drive(engine(1), evening([first, second], 3).entries)
    assert drive.run(0.8)[-1].seat.tolist() == [1]
    last = drive.run(2)[-1]
    assert last.seat.tolist() == [1]
    assert last.states.sum() == 1
    row = drive.engine.seating().row
    assert drive.engine.listeners.table.listener[row].tolist() == [2]


def test_acknowledged_is_used_once_whatever_is_sent_again() -> None:
    """Every packet twice, after a silence, as a phone does whose relay died."""
    phone = Phone(1)
    tape = evening([phone], 4)
    again = phone.packets(6)
    for s in again:
        tape.put(at(5) + s.sequence, phone.shard, batch([replace(s, arrival_ms=at(5))], at(5) + s.sequence))
    drive = Drive(engine(1), tape.entries)
    last = drive.run(8)[-1]
    assert last.counters["duplicates"] == 16
    assert last.counters["late"] == last.counters["gaps"] == 0
    assert int(drive.engine.intake.state.head[0]) == 24


def test_a_goodbye_is_absent_at_once_and_a_closed_connection_is_silence() -> None:
    phones = house(2)
    tape = evening(phones, 36)
    tape.control(at(36.1), phones[0].shard, Departure(phones[0].listener, 1, "goodbye"))
    tape.control(at(36.1), phones[1].shard, Departure(phones[1].listener, 1, "closed"))
    drive = Drive(engine(2), tape.entries)
    drive.run(36.4)
    assert drive.run(0.2)[-1].state.tolist() == [SeatState.ABSENT, SeatState.RESTING]


def test_roles_other_than_audience_are_never_counted() -> None:
    phones = [
        Phone(1, seat=1), Phone(2, seat=2, role="test"), Phone(3, seat=3, role="blank"),
        Phone(4, seat=0, role="performer", name="viola"),
    ]  # fmt: skip
    drive = Drive(engine(3), evening(phones, 36).entries)
    last = drive.run(36)[-1]
    assert last.seat.tolist() == [1]
    assert last.counted.sum() == last.states.sum() == 1
    assert last.blank_weights.sum() > 0
    assert [p.name for p in last.performers] == ["viola"]
    assert last.performers[0].state == SeatState.RESTING
    view = drive.engine.features()
    assert view.role.tolist() == [Role.AUDIENCE, Role.TEST, Role.BLANK, Role.PERFORMER]
    assert np.isfinite(view.pulse_rate_bpm).all()


def test_two_performers_of_one_name_are_told_apart() -> None:
    phones = [Phone(n, seat=n, role="performer", name="violin") for n in (1, 2, 3)]
    tape = evening(phones, 2)
    for control in phones[0].controls():  # back after a break: the same name as before
        tape.control(phones[0].start_ms + 500, phones[0].shard, control)
    (*_, last) = Drive(engine(6), tape.entries).run(2)
    assert {p.number: p.name for p in last.performers} == {1: "violin", 2: "violin 2", 3: "violin 3"}


def test_a_performer_is_known_by_the_number_of_the_card() -> None:
    phones = [Phone(4, seat=2, role="performer", name="viola"), Phone(5, seat=7, role="performer", name="bass")]
    (*_, last) = Drive(engine(6), evening(phones, 2).entries).run(2)
    assert {p.name: p.number for p in last.performers} == {"viola": 2, "bass": 7}


def test_beats_are_events_with_their_own_time() -> None:
    phone = Phone(1, seat=1, role="performer", name="viola")
    drive = Drive(engine(1), evening([phone], 20).entries)
    parts = drive.run(20)
    events = drive.engine.drain_events()
    beats = events.kind == "beat"
    times = np.diff(events.phone_time_us[beats][4:]) * 1e-6
    assert times == pytest.approx(1 / phone.rate_hz, abs=0.03)
    mapped = events.house_ms[beats] - (events.phone_time_us[beats] - phone.origin_us) * 1e-3
    assert mapped == pytest.approx(T0_MS + 250, abs=60)  # a packet leaves when its last sample is there
    assert len(drive.engine.drain_events().kind) == 0
    told = [e for p in parts for performer in p.performers for e in performer.events if e[0] == "beat"]
    assert sum(count for *_, count in told) == int(beats.sum())
    assert all(0 < age < 1.5 for _, _, age, _ in told[2:])


def test_events_that_nobody_drains_are_bounded_in_number_and_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """A small house has few events at a time, each time in arrays of their own: hours of them must not pile up."""
    tape = evening([Phone(n, seat=n) for n in range(1, 5)], 30).entries
    whole, few, pieces = (Drive(engine(4), tape) for _ in range(3))
    whole.run(30)
    every = whole.engine.drain_events()
    monkeypatch.setattr("aggregator.engine_view.MAX_EVENTS", 20)
    few.run(30)
    kept = few.engine.drain_events()
    assert 0 < len(kept.kind) <= 20
    assert np.array_equal(kept.phone_time_us, every.phone_time_us[-len(kept.kind) :])  # the newest
    monkeypatch.setattr("aggregator.engine_view.MAX_EVENTS", 10**6)
    monkeypatch.setattr("aggregator.engine_view.MAX_PARTS", 3)
    pieces.run(30)
    kept = pieces.engine.drain_events()
    assert 3 <= len(kept.kind) < len(every.kind)
    assert np.array_equal(kept.phone_time_us, every.phone_time_us[-len(kept.kind) :])


def test_parts_rule_and_the_newest_names_the_snapshot() -> None:
    tape = evening([Phone(1)], 4, part="doors")
    tape.everywhere(at(2), Part("piece"))
    tape.everywhere(at(3), Part("no such part"))
    parts = Drive(engine(1), tape.entries).run(4)
    assert [p.part for p in (parts[5], parts[25], parts[-1])] == ["doors", "piece", "piece"]
    assert parts[-1].counters["control_ignored"] == 17


def test_mute_and_unmute_a_seat() -> None:
    phones = house(2)
    tape = evening(phones, 42)
    tape.control(at(36), 16, Command("mute", {"seat": 2}))
    tape.control(at(39), 16, Command("unmute", {"seat": 2}))
    drive = Drive(engine(2), tape.entries)
    drive.run(36)
    assert drive.run(1)[-1].state.tolist() == [SeatState.RESTING, SeatState.MUTED]
    muted = drive.run(2)[-1]
    assert muted.confidence[1] == 0
    assert drive.run(2)[-1].state.tolist() == [SeatState.RESTING, SeatState.RESTING]


def test_every_kind_of_control_is_taken_without_fuss() -> None:
    tape = evening([Phone(1, role="performer", name="viola", seat=0)], 2)
    strange = [
        Marker("bell"), Baseline("undo"), Baseline("load", "viola", {"skin_level": [1.0, -2.0, 120.0]}),
        Baseline("load", "viola", {"skin_level": [1.0]}), HousePrior({"skin_level": 0.0}, {"skin_level": 0.1}),
        HousePrior({}, {"skin_level": -1.0}), Command("freeze"), Join(9, 1, 10**9, "audience", ()),
        Join(9, 1, 1, "conductor", ()), Departure(77, 1, "goodbye"), Erase(78), Consent(79, False, "v1"),
    ]  # fmt: skip
    for event in strange:
        tape.control(at(1), 1, event)  # type: ignore[arg-type]
    tape.put(at(1), 1, b"\x02\x01{}")
    tape.put(at(1), 1, b"\x02\x01" + b"[" * 50)
    tape.put(at(1), 1, b"\x07")
    last = Drive(engine(1), tape.entries).run(2)[-1]
    c = last.counters
    assert (c["control_malformed"], c["claims_refused"], c["control_ignored"]) == (3, 2, 2)
    assert (c["baselines_loaded"], c["baselines_undone"], c["priors"]) == (1, 1, 1)


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "erase", "listener": "x"}, {"kind": "erase", "listener": [1]}, {"kind": "erase", "listener": -1},
        {"kind": "consent", "listener": {}, "answer": True, "text": ""}, {"kind": "part", "name": ["rest"]},
        {"kind": "skip", "listener": 1, "stream": 1, "first": "0", "last": 9},
        {"kind": "houseprior", "location": 3, "scale": [1]}, {"kind": "command", "name": "mute", "arguments": 3},
        {"kind": "command", "name": "mute", "arguments": [1]}, {"kind": "baseline", "action": "load", "values": 7},
        {"kind": "baseline", "action": "load", "name": "viola", "values": {"skin_level": [1, 1, -5]}},
        {"kind": "join", "listener": 1, "stream": "s", "seat": 1, "role": "audience", "channels": []},
        {"kind": "join", "listener": 1, "stream": 2, "seat": 1, "role": ["audience"], "channels": []},
        {"kind": "join", "listener": 9, "stream": 2, "seat": 1, "role": "audience",
         "channels": [{"name": ["pulse"], "rate_hz": {}, "unit": 0}]},
    ],
)  # fmt: skip
def test_controls_with_fields_of_other_types_are_counted_and_change_nothing(body: dict[str, object]) -> None:
    tape = evening([Phone(1, role="performer", name="viola", seat=0)], 2)
    plain = Drive(engine(1), tape.entries).run(2)
    tape.put(at(1), 1, b"\x02\x01" + orjson.dumps(body))
    drive = Drive(engine(1), tape.entries)
    for a, b in zip(plain, drive.run(2), strict=True):
        assert not same(a, b)
    c = drive.engine.counters
    assert c["control_malformed"] + c["claims_refused"] + c["control_ignored"] == 1
    assert drive.engine.checkpoint()


def test_pending_entries_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine_module, "MAX_PENDING_BYTES", 1000)
    made = engine(1)
    payload = encode_control(Marker("x" * 200))
    made.ingest([Entry(Stamp(T0_MS, n), 0, payload) for n in range(50)])
    part = made.tick(1)
    assert part.counters["entries_refused"] == 50 - 1000 // len(payload)


def test_entries_of_other_owners_shards_are_left_alone() -> None:
    made = engine(1, owned=[0])
    made.ingest([Entry(Stamp(T0_MS, 0), 3, encode_control(Marker("x")))])
    assert made.tick(1).counters["entries_not_owned"] == 1


def test_values_stay_finite_and_within_bounds_under_rough_packets() -> None:
    rng = np.random.default_rng(2)
    phones = house(6)
    tape = evening(phones, 0)
    sent = [s for p in phones for s in p.packets(20) if rng.random() > 0.1]
    tape.send(replace(s, arrival_ms=s.arrival_ms + int(rng.exponential(600)), raw=_rough(s.raw, rng)) for s in sent)
    for part in Drive(engine(6), tape.entries).run(25):
        for value in (part.own, part.confidence, part.fade):
            assert np.isfinite(value).all()
            assert ((value >= 0) & (value <= 1)).all()


def _rough(raw: bytes, rng: np.random.Generator) -> bytes:
    """Samples replaced by noise, extremes or missing marks now and then; sometimes a broken packet."""
    if rng.random() < 0.02:
        return raw[:-3]
    if rng.random() < 0.2:
        body = bytearray(raw)
        body[-34:] = rng.integers(0, 256, 34, np.uint8).tobytes() if rng.random() < 0.5 else b"\x00\x80" * 17
        return bytes(body)
    return raw


@pytest.mark.parametrize(("tick_hz", "every"), [(1, 1), (10, 1), (19.9, 1), (20, 2), (30, 3), (44, 4)])
def test_entries_are_used_at_ten_ticks_a_second_or_more(tick_hz: float, every: int) -> None:
    engine = Engine(generated(4), t0_ms=T0_MS, tick_hz=tick_hz)
    assert [engine.used_at(k) for k in range(12)] == [k // every * every for k in range(12)]

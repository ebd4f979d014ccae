"""Order, duplicates, gaps and ages of what the bus delivers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from aggregator import intake_open
from aggregator.intake import Intake, Taken
from aggregator.intake_batches import open_batches
from aggregator.listeners import Kind, Listeners
from relay.entries import Entry, Join, Stamp, encode_packets
from relay.wire import Block, Packet, encode
from tests.aggregator.helper_signals import CHANNELS, T0_MS, Phone, Sent, batch


def room(*phones: Phone) -> Intake:
    intake = Intake(Listeners())
    for n, phone in enumerate(phones):
        join(intake, phone, n)
    return intake


def join(intake: Intake, phone: Phone, n: int = 0) -> int:
    claim = Join(phone.listener, phone.stream, phone.seat, phone.role, phone.channels)
    _, row = intake.listeners.claim(claim, Stamp(T0_MS, n), 0)
    intake.listeners.answer(phone.listener, True)
    intake.start(row, 0)
    return row


def offer(intake: Intake, sent: list[Sent], stamp_ms: int | None = None, n: int = 0) -> None:
    ms = max(s.arrival_ms for s in sent) if stamp_ms is None else stamp_ms
    intake.offer([Entry(Stamp(ms, n), 0, batch(sent, ms))])


def skin(taken: Taken) -> list[float]:
    """Phone times of the skin samples, in seconds."""
    s = taken.samples.get(Kind.SKIN)
    return [] if s is None else [float(t) * 1e-6 for t in s.time_us]


def test_packets_in_order_become_samples_in_their_own_unit() -> None:
    phone = Phone(5)
    intake = room(phone)
    offer(intake, phone.packets(1.0))
    taken = intake.take(T0_MS + 2000)
    pulse, level, warm = (taken.samples[k] for k in (Kind.PULSE, Kind.SKIN, Kind.TEMPERATURE))
    assert (pulse.count[0], level.count[0], warm.count[0]) == (64, 8, 1)
    assert pulse.time_us[0] == phone.origin_us
    assert pulse.time_us[-1] == phone.origin_us + round(63 / 64 * 1e6)
    assert level.value == pytest.approx(phone.level_us, rel=0.05)
    assert warm.value[0] == pytest.approx(33.0, abs=0.1)
    assert pulse.jumped[0]
    assert not intake.counters["gaps"]


def test_only_the_first_samples_of_a_stream_are_a_restart() -> None:
    phone = Phone(5)
    intake = room(phone)
    jumped = []
    for sent in phone.packets(1.0):
        offer(intake, [sent])
        jumped.append(bool(intake.take(sent.arrival_ms + 1).samples[Kind.PULSE].jumped[0]))
    assert jumped == [True, False, False, False]


def test_a_packet_out_of_order_waits_for_the_hole() -> None:
    phone = Phone(5)
    intake = room(phone)
    a, b, c = phone.packets(0.75)
    offer(intake, [a, c])
    assert len(skin(intake.take(T0_MS + 800))) == 2
    offer(intake, [b], n=1)
    times = skin(intake.take(T0_MS + 900))
    assert len(times) == 4
    assert times == sorted(times)
    assert not intake.waiting
    assert intake.counters["duplicates"] == intake.counters["gaps"] == 0


def test_within_one_tick_any_order_is_the_same() -> None:
    phone = Phone(5)
    packets = phone.packets(1.5)
    one, two = room(phone), room(phone)
    offer(one, packets)
    offer(two, packets[::-1])
    x, y = one.take(T0_MS + 1600).samples, two.take(T0_MS + 1600).samples
    for kind in (Kind.PULSE, Kind.SKIN, Kind.TEMPERATURE):
        assert np.array_equal(x[kind].value, y[kind].value)
        assert np.array_equal(x[kind].time_us, y[kind].time_us)


def test_a_hole_of_two_seconds_becomes_a_gap_and_what_fills_it_only_counts() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(3.0)
    offer(intake, [packets[0], packets[2]])
    stamp = packets[2].arrival_ms
    intake.take(stamp + 1)
    assert skin(intake.take(stamp + 1999)) == []
    assert len(skin(intake.take(stamp + 2000))) == 2
    assert intake.counters["gaps"] == 1
    assert intake.counters["gap_packets"] == 1
    offer(intake, [packets[1]], stamp + 2100)
    offer(intake, [packets[1]], stamp + 2200)
    assert skin(intake.take(stamp + 2300)) == []
    assert intake.counters["late"] == 1
    assert intake.counters["duplicates"] == 1
    offer(intake, [packets[3]], stamp + 2400)
    assert len(skin(intake.take(stamp + 2500))) == 2


@pytest.mark.parametrize("repeat", [1, 3])
def test_duplicates_are_counted_and_nothing_else(repeat: int) -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(2.0)
    offer(intake, packets)
    first = intake.take(T0_MS + 2500)
    for _ in range(repeat):
        offer(intake, packets, T0_MS + 2600)
    again = intake.take(T0_MS + 2700)
    assert len(skin(first)) == 16
    assert skin(again) == []
    assert intake.counters["duplicates"] == repeat * len(packets)
    assert intake.counters["late"] == 0


def test_a_known_loss_is_passed_at_once() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(3.0)
    offer(intake, packets[:2])
    intake.take(T0_MS + 600)
    intake.skip(0, 2, 5)
    offer(intake, packets[6:8])
    assert len(skin(intake.take(packets[7].arrival_ms + 1))) == 4
    assert intake.counters["skipped"] == 4
    assert intake.counters["gaps"] == 0
    assert not intake.waiting


def test_a_known_loss_ahead_of_a_packet_still_missing_waits_for_it() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(2.0)
    intake.skip(0, 1, 3)
    offer(intake, [packets[4]])
    assert skin(intake.take(packets[4].arrival_ms + 1)) == []
    offer(intake, [packets[0]], packets[4].arrival_ms + 5)
    assert len(skin(intake.take(packets[4].arrival_ms + 10))) == 4


def test_a_packet_that_arrived_before_it_was_given_up_is_used() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(2.5)
    offer(intake, [packets[0], packets[3], packets[4]])
    intake.take(packets[4].arrival_ms + 1)
    intake.skip(0, 1, 6)
    offer(intake, packets[7:9], n=1)
    assert len(skin(intake.take(packets[8].arrival_ms + 1))) == 2 * 4
    assert int(intake.state.head[0]) == 9
    assert intake.counters["skipped"] == 4
    assert not intake.waiting


def test_after_a_known_loss_duplicates_and_latecomers_are_told_apart() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(2.5)
    offer(intake, packets[:3])
    intake.take(packets[3].arrival_ms)
    intake.skip(0, 3, 6)
    intake.take(packets[6].arrival_ms)
    offer(intake, [packets[1], packets[4], packets[7]], packets[8].arrival_ms)
    assert len(skin(intake.take(packets[8].arrival_ms + 1))) == 2
    assert (intake.counters["duplicates"], intake.counters["late"]) == (1, 1)
    offer(intake, packets[3:8], packets[8].arrival_ms + 9)
    intake.take(packets[9].arrival_ms)
    assert (intake.counters["duplicates"], intake.counters["late"]) == (3, 4)


@pytest.mark.parametrize("seed", range(5))
def test_bookkeeping_agrees_with_a_plain_model(seed: int) -> None:
    """Random order, duplicates, losses and skips against sets: what is used, and what counts as what."""
    rng = np.random.default_rng(seed)
    phone = Phone(5)
    intake = room(phone)
    packets = [phone.packet(i) for i in range(200)]
    lost = {int(i) for i in np.flatnonzero(rng.random(200) < 0.05)}
    schedule = [(p.arrival_ms + int(rng.integers(0, 900)), p) for i, p in enumerate(packets) if i not in lost]
    schedule += [(p.arrival_ms + int(rng.integers(1000, 3000)), p) for p in packets[::7] if p.sequence not in lost]
    known = {i for i in lost if rng.random() < 0.5}
    used: list[int] = []
    for now in range(T0_MS, packets[-1].arrival_ms + 6000, 50):
        due = [p for at, p in schedule if now - 50 <= at < now]
        if due:
            offer(intake, [replace(p, arrival_ms=now - 1) for p in due], now - 1)
        for i in known:
            if now - 50 <= packets[i].arrival_ms < now:
                intake.skip(0, i, i)
        samples = intake.take(now).samples.get(Kind.SKIN)
        if samples is not None:
            used += sorted({(int(t) - phone.origin_us) // 250_000 for t in samples.time_us})
    assert used == sorted(used)
    assert set(used) == set(range(200)) - lost
    assert intake.counters["skipped"] + intake.counters["gap_packets"] == len(lost)
    assert intake.counters["duplicates"] == len([p for p in packets[::7] if p.sequence not in lost])
    assert intake.counters["late"] == 0


def test_a_listener_consumes_two_seconds_a_tick() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(5.0)
    offer(intake, [packets[0]])
    intake.take(T0_MS + 400)
    offer(intake, packets[1:])
    now = packets[-1].arrival_ms
    sizes = [len(skin(intake.take(now + 50 * i))) for i in range(4)]
    assert sizes == [16, 16, 6, 0]
    assert not intake.waiting


def test_samples_over_ten_seconds_old_are_a_gap() -> None:
    phone = Phone(5)
    intake = room(phone)
    packets = phone.packets(1.0)
    offer(intake, packets[:2])
    intake.take(T0_MS + 600)
    offer(intake, packets[2:], packets[3].arrival_ms + 10_500)
    taken = intake.take(T0_MS + 13_000)
    assert skin(taken) == []
    assert len(taken.rows) == 0
    assert intake.counters["too_old"] == 2


def test_strangers_refusals_and_old_streams_are_counted() -> None:
    phone, other = Phone(5), Phone(6)
    intake = room(phone, other)
    offer(intake, [replace(s, listener=99) for s in phone.packets(0.5)])
    offer(intake, [replace(s, stream=9) for s in phone.packets(0.25)], n=1)
    intake.listeners.answer(6, False)
    offer(intake, other.packets(0.75), n=2)
    assert skin(intake.take(T0_MS + 1000)) == []
    c = intake.counters
    assert (c["strangers"], c["old_stream"], c["without_consent"], c["packets"]) == (2, 1, 3, 6)


def test_a_broken_packet_disturbs_nobody() -> None:
    phone, other = Phone(5), Phone(6)
    intake = room(phone, other)
    good = other.packets(0.5)
    bad = replace(phone.packet(0), raw=b"\x01" + b"\xff" * 40)
    offer(intake, [bad, *good])
    taken = intake.take(T0_MS + 600)
    assert len(skin(taken)) == 4
    assert intake.counters["packet_malformed"] == 1


def test_a_broken_entry_disturbs_nobody() -> None:
    phone = Phone(5)
    intake = room(phone)
    good = batch(phone.packets(0.5), T0_MS + 600)
    broken = [good[:-1], good + b"x", b"\x01", b"\x01\x02" + good[2:], good[:20]]
    entries = [Entry(Stamp(T0_MS + 600, n), 0, p) for n, p in enumerate([*broken[:2], good, *broken[2:]])]
    intake.offer(entries)
    assert len(skin(intake.take(T0_MS + 700))) == 4
    assert intake.counters["entry_malformed"] == 5


def test_an_unknown_channel_is_counted_and_the_others_are_used() -> None:
    phone = Phone(5)
    intake = room(phone)
    raw = encode(Packet(0, 10, (Block(7, 0, np.array([1], np.int16)), Block(1, 0, np.array([2000], np.int16)))))
    intake.offer([Entry(Stamp(T0_MS, 1), 0, encode_packets([5], [1], [0], [raw]))])
    assert intake.take(T0_MS + 1).samples[Kind.SKIN].value == pytest.approx([2.0])
    assert intake.counters["unknown_channel"] == 1


def test_a_packet_that_spans_more_than_a_tick_may_use_is_refused() -> None:
    intake = room(Phone(5))
    raw = encode(Packet(0, 10, (Block(1, 0, np.ones(100, np.int16)),)))
    intake.offer([Entry(Stamp(T0_MS, 1), 0, encode_packets([5], [1], [0], [raw]))])
    assert Kind.SKIN not in intake.take(T0_MS + 1).samples
    assert intake.counters["packet_too_long"] == 1


@pytest.mark.parametrize("shift_us", [-3_600_000_000, -100_000, 3_600_000_000, 30_000_000])
def test_a_jump_of_the_phones_clock_restarts_the_stream(shift_us: int) -> None:
    phone = Phone(5)
    phone.origin_us = 5_000_000_000
    intake = room(phone)
    offer(intake, phone.packets(1.0))
    intake.take(T0_MS + 1100)
    phone.origin_us += shift_us - (500_000 if shift_us == -100_000 else 0)
    offer(intake, phone.packets(0.5, first=4))
    taken = intake.take(T0_MS + 1700)
    assert intake.counters["clock_jumps"] == 1
    assert taken.samples[Kind.PULSE].jumped[0]
    assert len(skin(taken)) == 4


def test_a_jump_inside_a_tick_is_split_at_it() -> None:
    phone = Phone(5)
    phone.origin_us = 5_000_000_000
    intake = room(phone)
    before = phone.packets(0.5)
    phone.origin_us += 40_000_000
    offer(intake, [*before, *phone.packets(0.5, first=2)])
    a = intake.take(T0_MS + 1100)
    b = intake.take(T0_MS + 1150)
    assert (len(skin(a)), len(skin(b))) == (4, 4)
    assert b.samples[Kind.PULSE].jumped[0]
    assert intake.counters["clock_jumps"] == 1


def test_a_backlog_is_no_jump() -> None:
    phone = Phone(5)
    intake = room(phone)
    offer(intake, phone.packets(1.0))
    intake.take(T0_MS + 1100)
    late = [replace(s, arrival_ms=T0_MS + 9000) for s in phone.packets(7.5, first=4)]
    offer(intake, late)
    total = sum(len(skin(intake.take(T0_MS + 9050 + 50 * i))) for i in range(6))
    assert total == 60
    assert intake.counters["clock_jumps"] == 0


def test_every_acknowledged_packet_is_used_once_under_any_delivery() -> None:
    rng = np.random.default_rng(1)
    phones = [Phone(i) for i in range(1, 9)]
    intake = room(*phones)
    sent = sorted(
        (replace(s, arrival_ms=s.arrival_ms + int(rng.integers(0, 1500))) for p in phones for s in p.packets(20)),
        key=lambda s: s.arrival_ms,
    )
    sent += [sent[int(i)] for i in rng.integers(0, len(sent), 100)]
    seen = 0
    for at in range(T0_MS, T0_MS + 26_000, 50):
        due = [s for s in sent if at - 50 <= s.arrival_ms < at]
        if due:
            offer(intake, due, at - 1)
        taken = intake.take(at)
        s = taken.samples.get(Kind.PULSE)
        seen += 0 if s is None else int(s.count.sum())
    assert seen == 8 * 20 * 64
    assert intake.counters["gaps"] == intake.counters["late"] == 0


def test_the_waiting_room_is_bounded() -> None:
    phone = Phone(5)
    intake = room(phone)
    far = [phone.packet(i) for i in range(1, 400)]
    offer(intake, far, T0_MS)
    intake.take(T0_MS)
    waiting = intake.waiting[0]
    assert len(waiting.ahead) <= 64
    assert len(waiting.backlog) <= 256
    assert intake.counters["backlog_dropped"] > 0


def test_opening_many_entries_agrees_with_opening_each() -> None:
    phone = Phone(5, channels=CHANNELS)
    entries = [Entry(Stamp(T0_MS + i, 0), 0, batch([phone.packet(i)], T0_MS + i + 260)) for i in range(7)]
    together, malformed = open_batches(entries)
    assert malformed == 0
    for i, entry in enumerate(entries):
        alone, _ = open_batches([entry])
        start, size = int(together.start[i]), int(together.size[i])
        assert together.data[start : start + size].tobytes() == phone.packet(i).raw
        assert together.arrival_ms[i] == alone.arrival_ms[0]


def mixed_packets(rng: np.random.Generator, count: int) -> list[bytes]:
    """Packets of many layouts: formats, counts, times, offsets, missing samples, a channel twice, unknown channels,
    broken ones."""
    shapes = [
        [(0, "i", 16, False), (1, "i", 2, False)], [(0, "f", 12, False), (1, "i", 2, True), (2, "f", 1, False)],
        [(0, "f", 7, True)], [(1, "i", 2, False), (1, "i", 3, False)], [(9, "i", 2, False), (0, "i", 5, False)],
    ]  # fmt: skip
    made = []
    for n in range(count):
        blocks = []
        for channel, kind, samples, timed in shapes[int(rng.integers(0, len(shapes)))]:
            raw = rng.integers(-32768, 32768, samples).astype(np.int16)
            floats = np.where(rng.random(samples) < 0.1, np.nan, raw / 7).astype(np.float32)
            times = np.cumsum(rng.integers(0, 200, samples)) * 100 if timed else None
            if times is not None:
                times -= times[0]
            blocks.append(Block(channel, int(rng.integers(0, 9999)), floats if kind == "f" else raw, times))
        packet = encode(Packet(n, 5_000_000 + n * 250_000, tuple(blocks)))
        made.append(packet if rng.random() > 0.05 else packet[:2] + b"\xff" + packet[3:])
    return made


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_packets_read_by_layout_and_one_by_one_are_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    phones = [Phone(i) for i in range(1, 5)]
    phones[3].channels = (replace(CHANNELS[0], rate_hz=50.0, scale=2.0), *CHANNELS[1:])
    raw = {p.listener: mixed_packets(rng, 30) for p in phones}
    seen: list[Any] = []
    for least in (4, 10**9):
        monkeypatch.setattr(intake_open, "LEAST_ALIKE", least)
        intake = room(*phones)
        for n in range(0, 30, 5):
            sent = [(p, packet) for p in phones for packet in raw[p.listener][n : n + 5]]
            who = [p.listener for p, _ in sent]
            payload = encode_packets(who, [1] * len(who), [0] * len(who), [packet for _, packet in sent])
            ms = T0_MS + n * 250
            intake.offer([Entry(Stamp(ms, 0), 0, payload)])
            taken = intake.take(ms + 1)
            seen.append([
                (kind, *(getattr(s, f).tobytes() for f in ("rows", "first", "count", "time_us", "value", "jumped")))
                for kind, s in taken.samples.items()
            ])  # fmt: skip
        seen.append([sorted(intake.counters.items())])
    assert seen[: len(seen) // 2] == seen[len(seen) // 2 :]
    assert intake.counters["packet_malformed"] > 0
    assert intake.counters["unknown_channel"] > 0

"""Contract 1: equal inputs give equal bits, however entries were cut, read, owned or interrupted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from aggregator.engine import Engine
from aggregator.listeners import Kind
from relay.entries import (
    Channel,
    Consent,
    Entry,
    Erase,
    HousePrior,
    Join,
    Part,
    Stamp,
    decode_packets,
    encode_packets,
    is_packets,
)
from relay.seat_plan import generated
from relay.wire import Block, Packet, decode, encode
from tests.aggregator.helper_engine import Drive, engine, evening, features_of, owners, same
from tests.aggregator.helper_signals import PACKET_MS, T0_MS, Phone, Sent, Tape, house

SECONDS = 26.0  # past the provisional baseline at 20 s, so that listeners count


def shuffled(entries: list[Entry], seed: int) -> list[Entry]:
    """The same packets and stamps in other entries: cut at random places, in another order within each."""
    rng = np.random.default_rng(seed)
    made: list[Entry] = []
    count: dict[tuple[int, int], int] = {}
    for entry in entries:
        pieces = [entry.payload]
        if is_packets(entry.payload):
            batch = decode_packets(entry.payload)
            order = rng.permutation(len(batch.records))
            cuts = np.sort(rng.integers(0, len(order) + 1, rng.integers(0, 4)))
            pieces = [_some(batch.payload, batch.records, batch.starts, part) for part in np.split(order, cuts)]
        for piece in pieces:
            key = (entry.stream, entry.stamp.ms)
            count[key] = count.get(key, -1) + 1
            made.append(Entry(Stamp(entry.stamp.ms, count[key]), entry.stream, piece))
    return made


def _some(payload: bytes, records: np.ndarray, starts: np.ndarray, part: np.ndarray) -> bytes:
    taken = records[part]
    raw = [payload[s : s + int(r["size"])] for s, r in zip(starts[part].tolist(), taken, strict=True)]
    return encode_packets(taken["listener"].tolist(), taken["stream"].tolist(), taken["age_ms"].tolist(), raw)


@pytest.mark.parametrize("seed", [1, 2])
def test_random_chunkings_of_packets_into_entries(seed: int) -> None:
    entries = evening(house(12), 12).entries
    plain, cut = Drive(engine(12), entries), Drive(engine(12), shuffled(entries, seed))
    for a, b in zip(plain.run(12), cut.run(12), strict=True):
        assert not same(a, b)


def test_entries_read_at_once_or_one_by_one() -> None:
    entries = sorted(evening(house(6), 8).entries, key=lambda e: (e.stamp, e.stream))
    early, late = engine(6), Drive(engine(6), entries)
    for entry in sorted(entries, key=lambda e: (e.stream, e.stamp)):
        early.ingest([entry])
    for k, b in enumerate(late.run(8), start=1):
        assert not same(early.tick(k), b)


def test_one_listener_alone_and_among_a_thousand() -> None:
    phones = house(1000)
    chosen = phones[617]
    alone, among = engine(1000), engine(1000)
    one, all_of_them = Drive(alone, evening([chosen], 6).entries), Drive(among, evening(phones, 6).entries)
    for _ in range(12):
        one.run(0.5)
        all_of_them.run(0.5)
        assert features_of(alone, chosen.listener) == features_of(among, chosen.listener)
    kernels = zip(alone.chains.columns().items(), among.chains.columns().values(), strict=True)
    row, other = alone.listeners.row_of[chosen.listener], among.listeners.row_of[chosen.listener]
    for (name, a), b in kernels:
        for key, column in a.arrays().items():
            assert column[row].tobytes() == b.arrays()[key][other].tobytes(), (name, key)


def recut(phone: Phone, seconds: float, sizes_ms: list[int]) -> list[Sent]:
    """The phone's samples in packets of other lengths."""
    whole = [decode(s.raw) for s in phone.packets(seconds)]
    samples: dict[int, list[tuple[int, int]]] = {}
    for packet in whole:
        for block in packet.blocks:
            step = 1e6 / phone.channels[block.channel].rate_hz
            at = packet.time_us + block.offset_us
            samples.setdefault(block.channel, []).extend(
                (round(at + i * step), int(v)) for i, v in enumerate(block.samples)
            )
    made, begin, sequence = [], 0, 0
    while begin < seconds * 1000:
        end = begin + sizes_ms[sequence % len(sizes_ms)]
        low, high = phone.origin_us + begin * 1000, phone.origin_us + end * 1000
        blocks = []
        for channel, taken in samples.items():
            mine = [(t, v) for t, v in taken if low <= t < high]
            if mine:
                blocks.append(Block(channel, mine[0][0] - low, np.array([v for _, v in mine], np.int16)))
        if blocks:
            raw = encode(Packet(sequence, low, tuple(blocks)))
            made.append(Sent(T0_MS + end + 20, phone.listener, phone.stream, sequence, raw))
            sequence += 1
        begin = end
    return made


def test_samples_in_packets_of_other_lengths_leave_the_kernels_alike() -> None:
    """Rates whose period is whole microseconds: then a sample's time does not depend on the packet it is in."""
    channels = (
        Channel("pulse", 50.0, "raw"),
        Channel("skin", 8.0, "uS", 0.001),
        Channel("temperature", 1.0, "C", 0.01),
    )
    phone = Phone(9, channels=channels)
    states = []
    for sizes in ([PACKET_MS], [100, 700, 180], [1000]):
        tape = evening([phone], 0)
        tape.send(recut(phone, 20, sizes))
        drive = Drive(engine(1), tape.entries)
        drive.run(22)
        chains = drive.engine.chains
        states.append({
            (name, key): column[0].tobytes()
            for name, columns in chains.columns().items() if "." in name
            for key, column in columns.arrays().items()
        })  # fmt: skip
    assert states[0] == states[1] == states[2]
    assert Kind.PULSE in drive.engine.chains.channels


def test_a_replay_of_the_recorded_entries() -> None:
    entries = evening(house(8), 10).entries
    first = Drive(engine(8), entries).run(10)
    recorded = [Entry(Stamp(*e.stamp), e.stream, bytes(bytearray(e.payload))) for e in entries]
    again = Drive(engine(8), recorded).run(10)
    assert not [k for k, (a, b) in enumerate(zip(first, again, strict=True)) if same(a, b, but=())]


@pytest.mark.parametrize("count", [3, 10])
def test_owners_of_the_shards(count: int) -> None:
    phones = house(24)
    entries = evening(phones, SECONDS).entries
    whole = Drive(engine(24), entries).run(SECONDS)
    parts = [Drive(engine(24, owned=o), entries).run(SECONDS) for o in owners(count)]
    assert whole[-1].counted.sum() > 0
    for k, one in enumerate(whole):
        mine = [p[k] for p in parts]
        assert np.array_equal(sum(p.weights for p in mine), one.weights)
        assert np.array_equal(sum(p.sums for p in mine), one.sums)
        assert np.array_equal(sum(p.counted for p in mine), one.counted)
        assert np.array_equal(sum(p.states for p in mine), one.states)
        order = np.argsort(np.concatenate([p.seat for p in mine]))
        for name in ("seat", "own", "confidence", "state", "fade"):
            assert np.concatenate([getattr(p, name) for p in mine])[order].tobytes() == getattr(one, name).tobytes()


@pytest.mark.parametrize("at_s", [3.0, 22.3])
def test_checkpoint_and_restore_go_on_as_if_nothing_had_happened(at_s: float) -> None:
    phones = house(8, excited_s=((21, 40),))
    tape = evening(phones, 0)
    rng = np.random.default_rng(8)
    sent = [replace(s, arrival_ms=s.arrival_ms + int(rng.integers(0, 700))) for p in phones for s in p.packets(25)]
    tape.send(s for i, s in enumerate(sent) if i % 53)  # with packets out of order, and some that never come
    whole = Drive(engine(12), tape.entries)
    whole.run(at_s)
    image = whole.engine.checkpoint()
    positions = whole.engine.positions()
    restored = Engine.restore(image, generated(12), whole.engine.settings, epoch=7)
    assert restored.positions() == positions
    rest = [e for e in tape.entries if e.stream not in positions or e.stamp > positions[e.stream]]
    going_on = Drive(restored, rest)
    for a, b in zip(whole.run(25 - at_s), going_on.run(25 - at_s), strict=True):
        assert not same(a, b, but=("epoch", "counters"))
        assert (a.epoch, b.epoch) == (1, 7)
        assert {n: v for n, v in a.counters.items() if "pending" not in n} == {
            n: v for n, v in b.counters.items() if "pending" not in n
        }


def test_where_a_listener_is_kept_does_not_matter() -> None:
    """Rows are given in another order and reused after an erasure; nothing of it shows."""
    phones = house(6)
    plain = evening(phones, 8)
    tape = Tape()
    tape.everywhere(T0_MS - 100, Part("rest"))
    stranger = Phone(12345, seat=0)
    for event in (Join(stranger.listener, 1, 0, "test", stranger.channels), Consent(stranger.listener, True, "v1")):
        tape.control(T0_MS - 90, stranger.shard, event)
    tape.control(T0_MS - 80, stranger.shard, Erase(stranger.listener))
    for phone in phones[::-1]:
        for control in phone.controls():
            tape.control(T0_MS - 70, phone.shard, control)
    tape.send(s for phone in phones for s in phone.packets(8))
    first = Drive(engine(6), [replace(e, stamp=Stamp(e.stamp.ms - 70, e.stamp.n)) if not is_packets(e.payload) else e
                              for e in plain.entries])  # fmt: skip
    second = Drive(engine(6), tape.entries)
    for a, b in zip(first.run(8), second.run(8), strict=True):
        assert not same(a, b)


def test_a_prior_told_to_all_streams_or_to_the_listeners_own_is_the_same() -> None:
    phone = Phone(5, excited_s=((30, 34),))
    prior = HousePrior({"skin_level": 0.0}, {"skin_level": 0.2, "pulse_rate": 0.01})
    ways = []
    for streams in (range(17), [5], []):
        tape = evening([phone], 34)
        for stream in streams:
            tape.control(T0_MS + 2000, stream, prior)
        ways.append(Drive(engine(5), tape.entries).run(34))
    assert not [k for k, (a, b) in enumerate(zip(ways[0], ways[1], strict=True)) if same(a, b)]
    assert same(ways[0][-1], ways[2][-1])


def test_who_comes_back_with_a_new_stream_gives_nobody_else_a_second_turn() -> None:
    """One phone is behind: a tick uses 2 s of what it sent at once. Another one starts again within such a tick. An
    engine that owns the first one's shard only knows nothing of that."""
    behind, again = Phone(2, seat=2), Phone(1, seat=1)
    late = [replace(p, arrival_ms=T0_MS + 9_910) for p in behind.packets(7.0, first=8)]
    old = [replace(p, arrival_ms=T0_MS + 9_930) for p in again.packets(0.25, first=38)]
    tape = evening([behind, again], 2.0)
    tape.send([*again.packets(7.5, first=8), *late, *old])
    tape.control(T0_MS + 9_950, again.shard, replace(again, stream=2).controls()[1])
    whole, alone = (Drive(engine(2, **owned), tape.entries) for owned in ({}, {"owned": [behind.shard]}))
    for drive in (whole, alone):
        drive.run(9.9)
        drive.run(0.2)
    left = [d.engine.intake.waiting[d.engine.listeners.row_of[behind.listener]].backlog for d in (whole, alone)]
    assert 0 < len(left[0]) == len(left[1])
    assert whole.engine.listeners.table.stream[whole.engine.listeners.row_of[again.listener]] == 2

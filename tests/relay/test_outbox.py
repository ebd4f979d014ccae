"""The outbox: strict order through failures, ages anew, bounds that refuse."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from relay.entries import (
    Consent,
    Control,
    Erase,
    Marker,
    Skip,
    decode_control,
    decode_packets,
    encode_packets,
    is_packets,
)
from relay.outbox import CONTROL_BYTES, ITEM_OVERHEAD_BYTES, MAX_BATCH_PACKETS, Outbox


@dataclass
class Someone:
    listener: int = 5
    stream: int = 9


def opened(payloads: list[bytes]) -> list[tuple[bytes, int] | Control]:
    """What payloads hold, in order: (packet, age) or the control entry."""
    made: list[tuple[bytes, int] | Control] = []
    for payload in payloads:
        if is_packets(payload):
            batch = decode_packets(payload)
            for at, record in zip(batch.starts, batch.records, strict=True):
                made.append((payload[at : at + record["size"]], int(record["age_ms"])))
        else:
            made.append(decode_control(payload))
    return made


@given(st.lists(st.sampled_from(["packet", "event", "take", "accepted", "failed"]), max_size=60))
def test_nothing_is_lost_or_reordered_by_failures(steps: list[str]) -> None:
    """Whatever fails in between: what is accepted, in the order of acceptance, is what was put, in that order."""
    box = Outbox()
    put: list[object] = []
    accepted: list[object] = []
    flying: list[object] = []
    for number, step in enumerate([*steps, "failed", "take", "accepted", "take", "accepted"]):
        if step == "packet":
            assert box.put(Someone(), number, b"%d" % number, 0.0)
            put.append(b"%d" % number)
        elif step == "event":
            assert box.put_event(None, Marker(str(number)), 0.0)
            put.append(Marker(str(number)))
        elif step == "take":
            taken: list[object] = [item[0] if isinstance(item, tuple) else item for item in opened(box.take(100.0))]
            assert not (flying and taken), "one append at a time"
            flying = flying or taken
        elif step == "accepted":
            items = box.accepted()
            assert len(items) == len(flying)
            accepted, flying = accepted + flying, []
        else:
            box.failed()
            flying = []
    assert accepted == put
    assert len(box) == box.bytes == 0


def test_ages_are_computed_anew_after_a_failure() -> None:
    box = Outbox()
    box.put(Someone(), 1, b"a", 1000.0)
    assert opened(box.take(1010.0)) == [(b"a", 10)]
    box.failed()
    box.put(Someone(), 2, b"b", 1500.0)
    assert opened(box.take(2000.0)) == [(b"a", 1000), (b"b", 500)]
    assert box.statistics().resent == 2  # everything that left with the repetition


def test_control_entries_split_batches_where_they_stand() -> None:
    box = Outbox()
    box.put(Someone(), 1, b"a", 0.0)
    box.put_event(None, Marker("m"), 0.0)
    box.put(Someone(), 2, b"b", 0.0)
    box.put(Someone(), 3, b"c", 0.0)
    payloads = box.take(0.0)
    assert len(payloads) == 3
    assert opened(payloads) == [(b"a", 0), Marker("m"), (b"b", 0), (b"c", 0)]


def test_whose_packets_they_are() -> None:
    box = Outbox()
    box.put(Someone(2**64 - 1, 7), 1, b"a", 0.0)
    records = decode_packets(box.take(0.0)[0]).records
    assert (int(records["listener"][0]), int(records["stream"][0])) == (2**64 - 1, 7)
    assert [(number, event) for _, number, _, _, event in box.accepted()] == [(1, None)]


def test_the_bound_refuses_packets_before_control_entries() -> None:
    box = Outbox(bound_items=10)
    assert all(box.put(Someone(), n, b"x", 0.0) for n in range(10))
    assert not box.put(Someone(), 10, b"x", 0.0)
    assert box.put_event(None, Marker("m"), 0.0)
    assert not box.put_event(None, Marker("m"), 0.0)
    assert box.statistics().refused == 2
    box.take(0.0)
    box.accepted()
    assert box.put(Someone(), 11, b"x", 0.0)


def test_the_bound_in_bytes() -> None:
    box = Outbox(bound_bytes=10_000)
    taken = sum(box.put(Someone(), n, bytes(800), 0.0) for n in range(100))
    assert taken == 10
    assert box.bytes <= 10_000


def test_one_take_is_bounded() -> None:
    box = Outbox()
    for n in range(MAX_BATCH_PACKETS + 5):
        box.put(Someone(), n, b"x", 0.0)
    assert len(opened(box.take(0.0))) == MAX_BATCH_PACKETS
    assert box.take(0.0) == []
    box.accepted()
    assert len(opened(box.take(0.0))) == 5


def test_a_full_outbox_still_takes_a_withdrawal_and_an_erasure() -> None:
    """Refused, they would be forgotten: the phone has left, and its hello says nothing of them."""
    box = Outbox(bound_items=1)
    while box.put_event(None, Marker("x"), 0.0):
        pass
    assert not box.put_event(None, Consent(5, True, "1"), 0.0)
    owed: list[Control] = [Consent(5, False, "1"), Erase(6)]
    assert all(box.put_event(None, event, 0.0) for event in owed)
    assert opened(box.take(0.0))[-2:] == owed


def test_nothing_is_written_any_more_of_who_was_erased() -> None:
    """Neither what waits nor what was in flight and refused; the others' packets and all control entries stay."""
    box, other = Outbox(), Someone(6)
    for n in range(3):
        box.put(Someone(), n, b"mine %d" % n, 0.0)
        box.put(other, n, b"other %d" % n, 0.0)
    assert len(opened(box.take(0.0))) == 6
    box.put(Someone(), 3, b"mine 3", 0.0)
    box.put_event(None, Erase(5), 0.0)
    box.put(other, 3, b"other 3", 0.0)
    assert box.forget(5) == 1
    box.failed()
    assert box.bytes == 4 * (len(b"other 0") + ITEM_OVERHEAD_BYTES) + CONTROL_BYTES
    left = opened(box.take(0.0))
    assert [x[0] if isinstance(x, tuple) else x for x in left] == [
        b"other 0",
        b"other 1",
        b"other 2",
        Erase(5),
        b"other 3",
    ]
    box.accepted()
    assert len(box) == box.bytes == 0


def test_what_was_accepted_before_is_not_forgotten_twice() -> None:
    box = Outbox()
    box.put(Someone(), 0, b"a", 0.0)
    box.take(0.0)
    assert box.forget(5) == 0
    assert len(box.accepted()) == 1
    box.put(Someone(), 1, b"of a new evening", 0.0)
    box.take(0.0)
    box.failed()
    assert len(opened(box.take(0.0))) == 1


@given(
    st.lists(
        st.tuples(st.integers(1, 2**64 - 1), st.integers(1, 2**64 - 1), st.binary(max_size=99), st.floats(-9, 99_999)),
        min_size=1, max_size=20,
    )
)  # fmt: skip
def test_a_batch_is_written_as_the_entries_module_writes_it(packets: list[tuple[int, int, bytes, float]]) -> None:
    """The outbox packs small batches by hand; relay.entries.encode_packets (numpy) is the layout's own writer."""
    box, now_ms = Outbox(), 100_000.0
    for number, (listener, stream, raw, age_ms) in enumerate(packets):
        assert box.put(Someone(listener, stream), number, raw, now_ms - age_ms)
    listeners, streams, raws, ages_ms = zip(*packets, strict=True)
    seen_ms = [now_ms - (now_ms - age_ms) for age_ms in ages_ms]  # as the outbox sees them
    assert box.take(now_ms) == [encode_packets(listeners, streams, seen_ms, raws)]


def test_skips_follow_the_packets_that_they_came_among() -> None:
    """A phone that is behind says one every few packets: one batch and one range of it, before whatever comes next."""
    box, phone, other = Outbox(), Someone(), Someone(listener=6)
    for number in range(3):
        box.put_event(phone, Skip(5, 9, number, number), 0.0)
        box.put(phone, number + 10, b"%d" % number, 0.0)
    box.put_event(other, Skip(6, 9, 3, 3), 0.0)
    box.put_event(phone, Consent(5, False, "text"), 0.0)
    box.put_event(phone, Skip(5, 9, 3, 4), 0.0)
    assert opened(box.take(0.0)) == [
        (b"0", 0), (b"1", 0), (b"2", 0), Skip(5, 9, 0, 2), Skip(6, 9, 3, 3), Consent(5, False, "text"),
        Skip(5, 9, 3, 4),
    ]  # fmt: skip
    told = [(sequence, event) for _, sequence, _, _, event in box.accepted()]
    assert told[:4] == [(-1, Skip(5, 9, 0, 0)), (10, None), (-1, Skip(5, 9, 1, 1)), (11, None)]  # each on its own
    assert len(told) == 8 + 1

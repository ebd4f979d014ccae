"""How alike each listener moves with a performer, live: entries in, a table by seat out, equal bits for all owners."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.engine import Engine
from aggregator.engine_controls import apply
from aggregator.engine_image import listener_columns
from aggregator.linkage import LinkageTracker
from aggregator.listener_linkage import BLOCK, LAGS, MAX_LINKED, SAMPLE_MS
from aggregator.merger import Merger
from aggregator.performer_series import SeriesWriter, block_of
from aggregator.seat_links import SeatLinks
from aggregator.service import Service
from aggregator.snapshot import PartSnapshot
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Consent, Entry, Erase, PerformerSeries, Stamp, decode_control, encode_control
from relay.seat_plan import generated
from tests.aggregator.helper_engine import TICK_HZ, Drive, engine, evening, owners, same
from tests.aggregator.helper_linked import tell, wave
from tests.aggregator.helper_signals import CHANNELS, T0_MS, Phone, Tape, house
from tests.aggregator.test_equal_bits import shuffled

SECONDS = 112.0  # 20 s until the provisional baseline, a minute of samples, and blocks that are told late
SKIN = CHANNELS[1:2]  # one channel is enough to be a listener, and the least work for the test
FIRST_N = T0_MS // SAMPLE_MS


def excited(period_s: float) -> tuple[tuple[float, float], ...]:
    return tuple((a, a + period_s / 2) for a in np.arange(20.0, 130.0, period_s).tolist())


def people() -> list[Phone]:
    """Six who are excited every 24 s, as the viola, two never."""
    spans = excited(24.0)
    return [Phone(p.listener, seat=p.seat, channels=SKIN, excited_s=spans if p.seat <= 6 else ()) for p in house(8)]


def told(phones: list[Phone], seconds: float = SECONDS) -> Tape:
    tape = evening(phones, seconds)
    viola, horn = wave(24.0, seconds), wave(15.0, seconds)
    tell(tape, {"viola": viola, "horn": horn}, 0.6 * viola + 0.4 * horn)
    return tape


@pytest.fixture(scope="module")
def entries() -> list[Entry]:
    return told(people()).entries


@pytest.fixture(scope="module")
def whole(entries: list[Entry]) -> tuple[Engine, list[PartSnapshot]]:
    drive = Drive(engine(8), entries)
    return drive.engine, drive.run(SECONDS)


def test_listeners_are_alike_with_whom_they_move(whole: tuple[Engine, list[PartSnapshot]]) -> None:
    made, parts = whole
    assert parts[int(30 * TICK_HZ)].links["viola"].tolist() == np.zeros((3, 8)).tolist()
    viola, horn = parts[-1].links["viola"], parts[-1].links["horn"]
    assert viola[0, :6].min() > 0.6
    assert viola[0, 6:].max() < 0.4 > horn[0].max()
    assert not np.array_equal(viola[0], viola[2])
    assert np.abs(viola[2]).max() <= 1.0
    assert ((viola[1] >= 0) & (viola[1] <= 8)).all()
    assert made.counters["control_ignored"] == 0
    assert made.counters["performer_blocks"] > 16 * 2 * 8


def test_owners_and_chunkings(entries: list[Entry], whole: tuple[Engine, list[PartSnapshot]]) -> None:
    _, parts = whole
    cut = Drive(engine(8), shuffled(entries, 3)).run(SECONDS)
    assert not [k for k, (a, b) in enumerate(zip(parts, cut, strict=True)) if same(a, b)]
    shares = [Drive(engine(8, owned=o), entries).run(SECONDS) for o in owners(2)]
    one, many = SeatLinks(8), SeatLinks(8)
    for k in range(0, len(parts), 5):
        a, b = one.of([parts[k]]), many.of([share[k] for share in shares])
        assert a.keys() >= b.keys()
        for name in a:
            table = b.get(name, np.zeros((3, 8), np.float32))
            assert a[name].tobytes() == table.tobytes(), (k, name)


@pytest.mark.parametrize("at_s", [47.3, 100.0])
def test_a_restored_engine_goes_on_with_the_same_bits(entries: list[Entry], at_s: float) -> None:
    first = Drive(engine(8), entries)
    first.run(at_s)
    restored = Engine.restore(first.engine.checkpoint(), generated(8), first.engine.settings, epoch=1)
    positions = first.engine.positions()
    rest = [e for e in entries if e.stream not in positions or e.stamp > positions[e.stream]]
    going_on = Drive(restored, rest)
    more = 8.0 if at_s < 90 else SECONDS - at_s  # the sums of every shard have moved on in both
    for a, b in zip(first.run(more), going_on.run(more), strict=True):
        assert not same(a, b)
    order = [np.argsort(e.listeners.table.listener[e.listeners.rows()]) for e in (first.engine, restored)]
    for name in ("linked.ring", "linked.sums"):
        columns = [listener_columns(e)[name].arrays() for e in (first.engine, restored)]
        for key in columns[0]:
            mine, theirs = (c[key][:8][o] for c, o in zip(columns, order, strict=True))
            assert mine.tobytes() == theirs.tobytes(), (name, key)


def test_one_listener_alone_and_among_others(whole: tuple[Engine, list[PartSnapshot]]) -> None:
    made, _ = whole
    phone = people()[2]
    alone = Drive(engine(8), told([phone]).entries)
    part = alone.run(SECONDS)[-1]
    row, other = alone.engine.listeners.row_of[phone.listener], made.listeners.row_of[phone.listener]
    assert part.links["viola"][0, 0] > 0.6
    for name in ("linked.ring", "linked.sums"):
        for key, array in listener_columns(alone.engine)[name].arrays().items():
            assert array[row].tobytes() == listener_columns(made)[name].arrays()[key][other].tobytes(), (name, key)


def test_who_withdraws_or_is_erased_leaves_nothing() -> None:
    phones = people()
    tape = told(phones)
    at = T0_MS + round(1000 * (SECONDS - 1))
    tape.control(at, phones[0].shard, Consent(phones[0].listener, False, "v1"))
    tape.control(at, phones[1].shard, Erase(phones[1].listener))
    drive = Drive(engine(8), tape.entries)
    drive.run(SECONDS - 1.5)
    row = drive.engine.listeners.row_of[phones[0].listener]
    assert drive.engine.linked.sums.seen[row].max() >= 240
    part = drive.run(1.5)[-1]
    assert part.links["viola"].shape == (3, 6)
    assert drive.engine.linked.sums.seen[row].max() == 0
    assert np.isnan(drive.engine.linked.ring.ring[row]).all()


def test_nothing_is_written_before_a_performer_is_heard() -> None:
    drive = Drive(engine(4), evening(house(4), 25).entries)
    part = drive.run(25)[-1]
    assert part.links == {}
    assert drive.engine.linked.ring.seen.max() == 0


def block(name: str, begin: int, *, values: list[float] | None = None, counted: int = 8) -> PerformerSeries:
    """An entry whose block begins ``begin`` samples after T0."""
    first_ms = (FIRST_N + begin - LAGS + 1) * SAMPLE_MS
    given = [0.01] * (BLOCK + LAGS - 1) if values is None else values
    return PerformerSeries(name, first_ms, SAMPLE_MS, given, [0.0] * BLOCK, counted)


def takes(told_blocks: list[tuple[float, PerformerSeries]]) -> tuple[Engine, list[bool]]:
    """What an engine with four listeners makes of entries on its first shard at so many seconds."""
    drive = Drive(engine(4), evening(house(4), 0).entries)
    made, now = [], 0.0
    for at_s, event in told_blocks:
        if at_s > now:
            drive.run(at_s - now)
            now = at_s
        made.append(drive.engine.linked.take(drive.engine, event, 0))
    return drive.engine, made


def test_a_block_counts_once_and_never_before_its_time() -> None:
    _, made = takes([(9.0, block("viola", 0)), (10.0, block("viola", 0)), (10.0, block("viola", 0)),
                     (21.0, block("viola", 40)), (21.0, block("viola", 0))])  # fmt: skip
    assert made == [False, True, False, True, False]


def test_a_fifth_performer_waits_until_one_is_quiet() -> None:
    four = [(11.0, block(name, 0)) for name in ("a", "b", "c", "d")]
    later = [(24.0, block(name, 50)) for name in ("b", "c", "d")]
    made_engine, made = takes([*four, *later, (25.0, block("e", 50)), (81.0, block("e", 280))])
    assert made == [True] * 7 + [False, True]
    assert len(four) == MAX_LINKED
    assert [name for name, _ in made_engine.linked.places[0]] == ["e", "b", "c", "d"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"values": [0.0] * (BLOCK + LAGS)},
        {"values": [0.0] * BLOCK},
        {"values": "0" * (BLOCK + LAGS - 1)},
        {"values": [1.5] + [0.0] * (BLOCK + LAGS - 2)},
        {"values": [float("nan")] + [0.0] * (BLOCK + LAGS - 2)},
        {"values": [True] + [0.0] * (BLOCK + LAGS - 2)},
        {"values": [None] + [0.0] * (BLOCK + LAGS - 2)},
        {"house": [0.0]},
        {"house": []},
        {"name": ""},
        {"name": "x" * 65},
        {"name": 7},
        {"start_ms": T0_MS + 1},
        {"start_ms": -250},
        {"start_ms": 1 << 60},
        {"start_ms": 1e12},
        {"step_ms": 500},
        {"step_ms": 0},
        {"counted": -1},
        {"counted": 2.5},
        {"counted": True},
    ],
    ids=str,
)
def test_other_entries_are_ignored_and_counted(wrong: dict[str, object]) -> None:
    good = block("viola", 0)
    assert block_of(good) is not None
    bad = replace(good, **wrong)  # type: ignore[arg-type]
    assert block_of(bad) is None
    tape = evening(house(4), 0)
    tape.control(T0_MS + 11_000, 0, bad)
    tape.control(T0_MS + 11_000, 16, good)  # no listener is told by the house's stream
    drive = Drive(engine(4), tape.entries)
    drive.run(12.0)
    assert drive.engine.counters["control_ignored"] == 2
    assert drive.engine.linked.places == {}


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**64 - 1) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
NUMBERS = st.lists(st.floats() | st.integers(-2, 2) | st.none(), min_size=BLOCK, max_size=BLOCK + LAGS - 1)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["name", "start_ms", "step_ms", "values", "house", "counted"]),
    ANYTHING | NUMBERS | st.integers(T0_MS // SAMPLE_MS - 500, T0_MS // SAMPLE_MS + 500).map(lambda n: n * SAMPLE_MS),
)
def test_a_field_of_any_kind_raises_nothing_and_leaves_finite_sums(field: str, value: object) -> None:
    """Property: whatever stands in a field, the engine goes on, and what it accepts is finite."""
    import orjson

    body = {**orjson.loads(encode_control(block("viola", 0))[2:]), field: value}
    try:
        event = decode_control(b"\x02\x01" + orjson.dumps(body))
    except (ValueError, TypeError):  # refused by the parser, or not to be written as JSON
        return
    assert isinstance(event, PerformerSeries)
    drive = Drive(engine(4), evening(house(4), 0).entries)
    drive.engine.cut += 11_000  # as if so much time had passed: the rings are empty, the sums move all the same
    apply(drive.engine, event, Stamp(T0_MS, 1), 0)
    counters = drive.engine.counters
    assert counters["performer_blocks"] + counters["control_ignored"] + counters["control_malformed"] == 1
    assert all(np.isfinite(a).all() for a in drive.engine.linked.sums.arrays().values())


def test_the_lead_tells_each_shard_every_block_once_and_in_turn() -> None:
    tracker, writer = LinkageTracker(), SeriesWriter(16)
    rng = np.random.default_rng(3)
    told_at: dict[int, list[tuple[int, int]]] = {}
    y = 0.5 + 0.05 * np.cumsum(rng.normal(size=60 * 20)) / 8
    most, heard = 0, set()
    for k in range(60 * 20):
        ms = T0_MS + 50 * k
        performers = {"viola": float(y[k]), "harp": 0.5, **({"horn": 0.5} if k < 60 else {})}
        tracker.push(ms, 0.5 + 0.1 * (y[k] - 0.5), performers)
        made = writer.due(tracker, 200)
        most = max(most, len(made))
        for stream, event in made:
            assert block_of(event) is not None
            heard.add(event.name)
            assert event.start_ms + SAMPLE_MS * len(event.values) <= ms + SAMPLE_MS
            if event.name == "viola":
                told_at.setdefault(stream, []).append((ms, event.start_ms))
    assert most == 1  # no tick has to write, or to work off, two of them
    assert set(told_at) == set(range(16))
    assert heard == {"viola", "harp"}  # the horn was known in under half of a block
    for each in told_at.values():
        assert len(each) in (5, 6)
        assert {b[1] - a[1] for a, b in pairwise(each)} == {BLOCK * SAMPLE_MS}
        assert all(ms - start - SAMPLE_MS * (BLOCK + LAGS - 1) < 10_000 for ms, start in each)


def test_without_a_performer_nothing_is_written() -> None:
    tracker, writer = LinkageTracker(), SeriesWriter(16)
    for k in range(30 * 20):
        tracker.push(T0_MS + 50 * k, 0.5, {})
        assert writer.due(tracker, 0) == []


async def test_the_service_writes_what_is_due_to_each_shard_and_a_spare_writes_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plan = generated(4)
    written = {}
    for leads in (True, False):
        bus = MemoryBus()
        service = Service(bus, engine(4), Merger(plan, tick_hz=TICK_HZ), ())
        monkeypatch.setattr(service.leadership, "leads", partial(bool, leads))
        service.last = service.merger.publish([service.engine.tick(0)])
        for k in range(25 * 20):
            service.merger.linkage.push(T0_MS + 50 * k, 0.5, {"viola": 0.5 + 0.1 * np.sin(k / 90)})
            await service._housekeeping()
        read = await bus.read(dict.fromkeys(range(17), FIRST), limit=1000)
        written[leads] = [(e.stream, decode_control(e.payload)) for e in read]
    told_to = [stream for stream, event in written[True] if isinstance(event, PerformerSeries)]
    assert sorted(set(told_to)) == list(range(16))
    assert len(told_to) <= 2 * 16
    assert written[False] == []

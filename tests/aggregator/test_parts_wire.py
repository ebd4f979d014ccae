"""Parts on the wire: what is told is heard bit for bit, and anything else is one kind of error."""

from __future__ import annotations

import contextlib
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

import tests.fuzz
from aggregator.engine import Engine
from aggregator.parts_wire import (
    FAREWELL,
    PART,
    PRESENCE,
    TOKEN_LIMIT,
    PartError,
    decode_part,
    decode_presence,
    encode_part,
    encode_presence,
    plan_mark,
    read_head,
    sender_of,
)
from aggregator.portions import shards_of
from aggregator.shards import Presence
from aggregator.snapshot import PartSnapshot
from relay.entries import PerformerSeries
from relay.seat_plan import generated
from tests.aggregator.helper_engine import Drive, engine, evening, same
from tests.aggregator.helper_signals import T0_MS, Phone, house
from tests.fuzz import fuzz_parts
from tests.fuzz.fuzz_parts import PLAN, example, some_part

HEAD_BYTES = 36  # as the module says
CORPUS = Path(tests.fuzz.__file__).parent / "corpus" / "parts"


def evening_parts(of: int) -> list[PartSnapshot]:
    """Ticks of an evening's portions: audience, a performer, a blank sensor, linkage."""
    phones = house(14)
    viola = Phone(1 << 40, seat=3, role="performer", name="viola")
    blank = Phone((1 << 41) + 1, seat=0, role="blank")
    tape = evening([*phones, viola, blank], 27)
    series = PerformerSeries("viola", T0_MS - 1500, 250, [0.01] * 72, [0.0] * 40, 12)
    for stream in range(16):
        tape.control(T0_MS + 18_000, stream, series)
    made = []
    for portion in range(of):
        drive = Drive(engine(14, owned=shards_of(portion, of)), tape.entries)
        made += drive.run(27)[::20]
    return made


def test_an_evenings_parts_come_back_bit_for_bit() -> None:
    of, plan = 2, generated(14)
    mark, seen = plan_mark(plan), set()
    for part in evening_parts(of):
        portion = 0 if part.shards[0] == 0 else 1
        raw = encode_part(part, portion, of, mark, 77, 5, mark=3)
        told = decode_part(raw, plan)
        assert (told.head.portion, told.head.of, told.head.token, told.head.k, told.mark) == (portion, of, 5, part.k, 3)
        object.__setattr__(told.part, "links", told.links)
        assert not same(part, told.part, but=())
        seen |= {n for n in ("performers", "synchrony", "links", "left_out", "counters") if getattr(part, n)}
        seen |= {"blank"} if part.blank_weights.any() else set()
        seen |= {"fade"} if part.fade.any() else set()
    assert seen >= {"performers", "synchrony", "counters", "fade"}


@given(st.integers(0, 40), st.integers(1, 16), st.data())
def test_any_part_comes_back(seats: int, of: int, data: st.DataObject) -> None:
    portion = data.draw(st.integers(0, of - 1))
    part = some_part(data.draw(st.integers(0, 1 << 30)), seats, tuple(shards_of(portion, of)))
    token, sender = data.draw(st.integers(0, TOKEN_LIMIT - 1)), data.draw(st.integers(0, 2**64 - 1))
    told = decode_part(encode_part(part, portion, of, plan_mark(PLAN), sender, token, mark=1), PLAN)
    object.__setattr__(told.part, "links", told.links)
    assert not same(part, told.part, but=())
    assert (told.head.sender, told.head.token) == (sender, token)


@given(st.integers(0, 200), st.data())
def test_cut_and_changed_parts_are_refused_or_read(seed: int, data: st.DataObject) -> None:
    raw = bytearray(example(seed))
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    fuzz_parts.one_input(bytes(raw[: data.draw(st.integers(0, len(raw)))]))
    fuzz_parts.one_input(bytes(raw))


@given(st.binary(max_size=200))
def test_any_bytes(raw: bytes) -> None:
    fuzz_parts.one_input(raw)


@pytest.mark.parametrize("path", sorted(CORPUS.iterdir()), ids=lambda path: path.name)
def test_the_corpus(path: Path) -> None:
    fuzz_parts.one_input(path.read_bytes())


def test_the_corpus_has_every_kind() -> None:
    kinds = set()
    for path in CORPUS.iterdir():
        with pytest.MonkeyPatch.context():
            try:
                kinds.add(read_head(path.read_bytes()).kind)
            except PartError:
                kinds.add(0)
    assert kinds == {0, PART, PRESENCE, FAREWELL}


@pytest.mark.parametrize(
    ("change", "value"),
    [("seat", [0, 1, 2]), ("seat", [2, 2, 3]), ("seat", [1, 2, 500]), ("own", [0.1, np.nan, 0.1]),
     ("own", [0.1, 1.5, 0.1]), ("confidence", [-0.1, 0, 0]), ("state", [1, 2, 99]), ("fade", [2.0, 0, 0])],
)  # fmt: skip
def test_what_cannot_be_is_refused(change: str, value: list[float]) -> None:
    part = some_part(3, 3, tuple(range(16)), gaps=False)
    old = getattr(part, change)
    object.__setattr__(part, change, np.array(value, old.dtype))
    with pytest.raises(PartError):
        decode_part(encode_part(part, 0, 1, plan_mark(PLAN), 1, 1), PLAN)


def with_meta(raw: bytes, key: str, text: bytes) -> bytes:
    """A part whose JSON has something else under one key."""
    head, size = read_head(raw), HEAD_BYTES
    meta = orjson.loads(raw[size : size + head.meta])
    del meta[key]
    new = b'%s,"%s":%s}' % (orjson.dumps(meta)[:-1], key.encode(), text)
    return raw[: size - 8] + struct.pack("<II", len(new), head.seats) + new + raw[size + head.meta :]


DEEP = b"[" * 1000 + b"]" * 1000  # what orjson reads still, and repr() does not write any more


@pytest.mark.parametrize("key", ["faded", "cut_ms", "mark", "blank_sum", "part", "counters", "performers", "synchrony"])
def test_nested_without_end_is_one_kind_of_error(key: str) -> None:
    raw = encode_part(some_part(3, 3, tuple(range(16))), 0, 1, plan_mark(PLAN), 1, 1)
    with pytest.raises(PartError):
        decode_part(with_meta(raw, key, DEEP), PLAN)
    with pytest.raises(PartError):
        decode_part(with_meta(raw, "performers", b'[{"name":"a","arousal":%s}]' % DEEP), PLAN)


@pytest.mark.parametrize(
    ("change", "value"),
    [("arousal", 1.5), ("confidence", -0.1), ("state", -1), ("state", 9), ("channels", {"x": (9, 0)})],
)
def test_a_performer_that_cannot_be_is_refused(change: str, value: object) -> None:
    part = some_part(3, 3, tuple(range(16)))
    part = replace(part, performers=(replace(part.performers[0], **{change: value}),))  # type: ignore[arg-type]
    with pytest.raises(PartError):
        decode_part(encode_part(part, 0, 1, plan_mark(PLAN), 1, 1), PLAN)


def test_linkage_that_is_no_number_is_refused() -> None:
    part = replace(some_part(3, 3, tuple(range(16))), links={"viola": np.full((3, 3), np.nan, np.float32)})
    with pytest.raises(PartError, match="linkage"):
        decode_part(encode_part(part, 0, 1, plan_mark(PLAN), 1, 1), PLAN)


def test_a_performers_first_beat_comes_with_no_interval() -> None:
    """After a gap too: then nothing is known of the time before it, and the part is told all the same."""
    tape = evening([Phone(1 << 40, seat=3, role="performer", name="viola")], 20)
    first = None
    for part in Drive(engine(14), tape.entries).run(20):
        if any(np.isnan(e[1]) for p in part.performers for e in p.events):
            first = part
            break
    assert first is not None
    told = decode_part(encode_part(first, 0, 1, plan_mark(generated(14)), 1, 1), generated(14))
    assert not same(first, told.part, but=("links",))


def test_a_part_of_other_shards_is_not_told() -> None:
    with pytest.raises(PartError, match="of shards"):
        encode_part(some_part(1, 3, (0, 1)), 0, 2, 0, 1, 1)


def test_another_plan_has_another_mark() -> None:
    assert plan_mark(generated(30)) != plan_mark(generated(31))


@given(st.text(min_size=1, max_size=40), st.integers(1, 16), st.data())
def test_words_come_back(name: str, of: int, data: st.DataObject) -> None:
    portions = st.integers(0, of - 1)
    word = Presence(
        name, data.draw(st.dictionaries(portions, st.integers(1, 2**53))), frozenset(data.draw(st.sets(portions))),
        frozenset(data.draw(st.sets(portions))),
    )  # fmt: skip
    farewell = data.draw(st.booleans())
    try:
        raw = encode_presence(word, of, farewell=farewell)
    except (PartError, UnicodeEncodeError, TypeError):
        assert not name.isprintable()
        return
    assert decode_presence(raw) == word
    assert read_head(raw).kind == (FAREWELL if farewell else PRESENCE)
    assert read_head(raw).sender == sender_of(name)


def test_a_name_that_is_too_long() -> None:
    with pytest.raises(PartError, match="characters"):
        encode_presence(Presence("x" * 201), 2)


def test_what_a_seat_costs() -> None:
    """The module's 21 bytes, and at most 700 for an engine's words and counters with nobody there."""
    few, many = (len(encode_part(some_part(1, n, (0,), gaps=False, plain=True), 0, 16, 0, 1, 1)) for n in (0, 40))
    assert many - few == 40 * 21
    engine_ = Engine(PLAN, t0_ms=T0_MS, tick_hz=20.0, owned=(0,))
    assert len(encode_part(engine_.tick(0), 0, 16, 0, 1, 1)) < 2500


def test_a_token_that_no_lease_has_is_refused() -> None:
    """Taken, it would fence its portion's owner for the evening."""
    part = Engine(PLAN, t0_ms=0, tick_hz=20.0, owned=shards_of(0, 1)).tick(0)
    for token, refused in ((TOKEN_LIMIT - 1, False), (TOKEN_LIMIT, True)):
        raw = encode_part(part, 0, 1, plan_mark(PLAN), 1, token)
        with pytest.raises(PartError, match="token") if refused else contextlib.nullcontext():
            assert read_head(raw).token == token

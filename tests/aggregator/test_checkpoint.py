"""The checkpoint's bytes and its file: whole or refused with a sentence."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from aggregator import checkpoint, saved
from aggregator.checkpoint import CheckpointError
from aggregator.engine import Engine
from aggregator.engine_image import Buffers, frozen
from aggregator.merger import Merger
from relay.entries import Baseline, Consent
from relay.seat_plan import generated
from tests.aggregator.helper_engine import Drive, engine, evening
from tests.aggregator.helper_linked import tell, wave
from tests.aggregator.helper_signals import T0_MS, Phone, house


def image(seconds: float = 3.0, phones: list[Phone] | None = None) -> bytes:
    drive = Drive(engine(4), evening(phones or house(4), seconds).entries)
    drive.run(seconds)
    return drive.engine.checkpoint()


def test_what_goes_in_comes_out() -> None:
    arrays = {
        "a": np.arange(6.0).reshape(2, 3),
        "b": np.array([], np.int64),
        "c": np.array([1, 2], np.uint64),
        "d": np.asfortranarray(np.arange(6).reshape(2, 3)),
    }
    opened = checkpoint.decode(checkpoint.encode({"k": 7, "name": "é"}, arrays))
    assert opened.meta == {"k": 7, "name": "é"}
    for name, array in arrays.items():
        assert opened.arrays[name].dtype == array.dtype
        assert np.array_equal(opened.arrays[name], array)


def test_every_damaged_byte_is_found() -> None:
    raw = image()
    step = max(1, len(raw) // 400)
    for at in [*range(60), *range(60, len(raw), step)]:
        broken = bytearray(raw)
        broken[at] ^= 0x40
        with pytest.raises(CheckpointError):
            Engine.restore(bytes(broken), generated(4), epoch=2)


@pytest.mark.parametrize("size", [0, 5, 8, 33, 34, 200, -1])
def test_a_cut_file_is_refused(size: int) -> None:
    with pytest.raises(CheckpointError, match=r"cut|not a checkpoint"):
        Engine.restore(image()[:size], generated(4), epoch=2)


def test_another_layout_version_is_named() -> None:
    raw = bytearray(image())
    raw[8] = 99
    with pytest.raises(CheckpointError, match="layout version 99"):
        Engine.restore(bytes(raw), generated(4), epoch=2)


def test_columns_of_another_version_do_not_fit() -> None:
    opened = checkpoint.decode(image())
    arrays = dict(opened.arrays)
    arrays["states/own"] = arrays["states/own"].astype(np.float32)
    with pytest.raises(CheckpointError, match="does not fit"):
        Engine.restore(checkpoint.encode(opened.meta, arrays), generated(4), epoch=2)
    with pytest.raises(CheckpointError, match="does not fit"):
        Engine.restore(checkpoint.encode({}, arrays), generated(4), epoch=2)


def test_only_listeners_with_consent_are_in_it() -> None:
    phones = house(4)
    tape = evening(phones, 3)
    tape.control(T0_MS + 3000, phones[2].shard, Consent(phones[2].listener, False, "v1"))
    drive = Drive(engine(4), tape.entries)
    drive.run(3.5)
    restored = Engine.restore(drive.engine.checkpoint(), generated(4), epoch=2)
    kept = set(restored.features().listener.tolist())
    assert kept == {p.listener for i, p in enumerate(phones) if i != 2}


def test_a_share_of_the_shards_can_be_taken_over() -> None:
    phones = house(16)
    drive = Drive(engine(16), evening(phones, 3).entries)
    drive.run(3)
    raw = drive.engine.checkpoint()
    taken = Engine.restore(raw, generated(16), owned=[3, 4], epoch=5)
    assert taken.owned == (3, 4)
    assert taken.epoch == 5
    assert set(taken.features().listener.tolist()) == {p.listener for p in phones if p.shard in (3, 4)}
    with pytest.raises(CheckpointError, match="shards"):
        Engine.restore(taken.checkpoint(), generated(16), owned=[9], epoch=6)


def test_performers_keep_name_and_own_rest() -> None:
    phones = [Phone(3, seat=0, role="performer", name="viola")]
    tape = evening(phones, 3)
    tape.control(T0_MS + 1000, phones[0].shard, Baseline("load", "viola", {"skin_level": [1.0, -2.0, 120.0]}))
    drive = Drive(engine(4), tape.entries)
    drive.run(3)
    restored = Engine.restore(drive.engine.checkpoint(), generated(4), epoch=2)
    assert restored.listeners.names == {0: "viola"}
    assert restored.chains.small_fusion.own_location[0].tolist() == pytest.approx(
        drive.engine.chains.small_fusion.own_location[0].tolist(), nan_ok=True
    )
    assert 1.0 in restored.chains.small_fusion.own_location[0]


def test_versions_are_told() -> None:
    found = checkpoint.decode(image()).meta["versions"]
    assert found == checkpoint.versions()
    assert set(found) == {"python", "numpy", "cpu"}


def test_the_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "evening.checkpoint"
    checkpoint.write(path, [b"fi", b"rst"])
    checkpoint.write(path, [b"second"])
    assert checkpoint.read(path) == b"second"
    assert os.listdir(tmp_path) == ["evening.checkpoint"]
    assert path.stat().st_mode & 0o077 == 0


def test_a_place_that_cannot_be_written_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "evening.checkpoint"
    checkpoint.write(path, [b"fi", b"rst"])
    (tmp_path / "evening.checkpoint.new").mkdir()
    with pytest.raises(OSError):
        checkpoint.write(path, [b"second"])
    assert checkpoint.read(path) == b"first"


def test_a_missing_file_and_a_directory_differ(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        checkpoint.read(tmp_path / "none")
    with pytest.raises(CheckpointError, match="cannot be read"):
        checkpoint.read(tmp_path)


def test_what_is_frozen_is_packed_as_it_was_whatever_ticks_do_meanwhile() -> None:
    """Packing is done in another thread; a view into the engine's state would tear."""
    drive = Drive(engine(4), evening([Phone(n, seat=n) for n in range(1, 4)], 20).entries)
    drive.run(8)
    merger = Merger(generated(4), tick_hz=drive.engine.tick_hz, epoch=1)
    merger.publish([drive.engine.tick(drive.k)])
    drive.k += 1
    at_once, later = saved.pack(drive.engine, merger), saved.freeze(drive.engine, merger)
    for part in drive.run(8):
        merger.publish([part])
    assert b"".join(later()) == at_once
    assert saved.pack(drive.engine, merger) != at_once


def test_a_checkpoint_within_one_opens_as_bytes() -> None:
    inner = checkpoint.pieces({"k": 1}, {"a": np.arange(3.0), "none": np.zeros((0, 5))})
    outer = checkpoint.decode(checkpoint.encode({}, {"inner": inner, "b": np.ones(2, np.bool_)}))
    opened = checkpoint.decode(outer.arrays["inner"].tobytes())
    assert opened.meta == {"k": 1}
    assert opened.arrays["a"].tolist() == [0.0, 1.0, 2.0]
    assert opened.arrays["none"].shape == (0, 5)
    assert outer.arrays["b"].tolist() == [True, True]


def test_linkage_is_in_it_once_a_performer_was_heard_and_goes_with_its_shards() -> None:
    assert not any(name.startswith("linked") for name in checkpoint.decode(image()).arrays)
    phones = house(16)
    tape = evening(phones, 34)
    tell(tape, {"viola": wave(9.0, 34)}, wave(9.0, 34))
    drive = Drive(engine(16), tape.entries)
    drive.run(34)
    raw = drive.engine.checkpoint()
    opened = checkpoint.decode(raw)
    assert opened.arrays["linked.sums/seen"].max() > 0
    assert opened.arrays["linked.ring/ring"].shape == (16, 128)
    taken = Engine.restore(raw, generated(16), owned=[3, 4], epoch=5)
    assert taken.linked.places == {stream: drive.engine.linked.places[stream] for stream in (3, 4)}
    assert set(drive.engine.linked.places) == set(range(16))
    saved = dict(opened.meta)
    del saved["linked"]
    with pytest.raises(CheckpointError, match="does not fit"):
        Engine.restore(checkpoint.encode(saved, opened.arrays), generated(16), epoch=2)


def test_copies_into_the_same_buffers_are_what_copies_into_new_ones_are() -> None:
    """While the house grows, and after listeners have left."""
    buffers, dice = Buffers(), np.random.default_rng(5)
    for count in (3, 8, 5, 40, 1):
        array, rows = dice.normal(size=(50, 7)), dice.permutation(50)[:count]
        assert np.array_equal(buffers.take("x", array, rows), array[rows])
    drive = Drive(engine(4), evening([Phone(n, seat=n) for n in range(1, 4)], 20).entries)
    for _ in range(3):
        drive.run(3)
        (meta, arrays), (again, others) = frozen(drive.engine), frozen(drive.engine, buffers)
        assert meta == again
        assert arrays.keys() == others.keys()
        assert all(np.array_equal(a, others[n], equal_nan=a.dtype.kind == "f") for n, a in arrays.items())


def test_buffers_keep_nothing_of_who_has_left() -> None:
    """Nobody's body data outlives their consent, in memory either."""
    buffers = Buffers()
    buffers.take("x", np.full((9, 3), 7.0), np.arange(9))
    made = buffers.take("x", np.full((9, 3), 5.0), np.arange(4))
    assert (made == 5.0).all()
    whole = made if made.base is None else made.base
    assert len(whole) >= 9
    assert not (whole == 7.0).any()

"""Files of portions whose owner changes while one is being written."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from aggregator import checkpoint, saved
from aggregator.checkpoint import Piece
from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.portion_files import PortionFiles, file_of
from aggregator.portions import shards_of
from relay.bus_memory import MemoryBus
from relay.seat_plan import generated
from tests.aggregator.helper_engine import Drive, engine, evening
from tests.aggregator.helper_signals import Phone
from tests.relay.house import until

SEATS = 12


async def test_a_portion_that_is_dropped_while_its_file_is_written_leaves_its_own_listeners_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tape = evening([Phone(n, seat=n) for n in range(1, SEATS)], 4).entries
    halves = [Drive(engine(SEATS, owned=shards_of(portion, 2)), tape) for portion in (0, 1)]
    for half in halves:
        half.run(3)
    own = [sorted(half.engine.features().listener.tolist()) for half in halves]
    assert own[0]
    assert own[1]
    slow, real = threading.Event(), checkpoint.write

    def write(path: Path, image: Sequence[Piece]) -> None:
        if path == file_of(tmp_path, "a", 0, 2):
            assert slow.wait(20.0)
        real(path, image)

    monkeypatch.setattr(checkpoint, "write", write)
    merger = Merger(generated(SEATS), tick_hz=20.0)
    files = PortionFiles(
        MemoryBus(), merger, tmp_path, "a", 2, 0.001, owns=lambda _portion: True, bus_id=lambda: ""
    )  # fmt: skip
    for portion, half in enumerate(halves):
        files.add(portion, half.engine)
    await asyncio.sleep(0.01)
    files.step()
    first = files._kept[0].writing
    await asyncio.sleep(0.05)
    files.drop(0)
    files.step()
    await until(lambda: files.written == 1)
    slow.set()
    assert first is not None
    await first
    for portion in (0, 1):
        kept = saved.unpack(checkpoint.read(file_of(tmp_path, "a", portion, 2)))
        found = Engine.restore(kept.image, generated(SEATS), owned=shards_of(portion, 2), epoch=1)
        assert sorted(found.features().listener.tolist()) == own[portion]

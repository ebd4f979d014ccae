"""After the bus failed over: read again from 10 s before, use and show everything once (contract 7)."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from aggregator import checkpoint, failover, saved
from aggregator.command.common import warn_of_versions
from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.saved import Saved
from aggregator.service import Service, ServiceSettings
from relay import reread
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Entry, Erase, Marker, Part, Stamp, encode_control
from relay.reread import REREAD_MS, Unseen, again_from
from relay.seat_plan import generated
from tests.aggregator.helper_engine import Drive, engine
from tests.aggregator.helper_service import served
from tests.aggregator.helper_signals import T0_MS, Phone, Tape
from tests.relay.failing_bus import FailingBus
from tests.relay.house import until

PLAN = generated(12)


def at(seconds: float) -> int:
    return T0_MS + round(seconds * 1000)


@contextlib.asynccontextmanager
async def running(bus: MemoryBus, engine: Engine, path: Path | None = None, bus_id: str = "") -> AsyncIterator[Service]:
    settings = ServiceSettings(path, 600.0, trim_without_checkpoint=False)
    merger = Merger(PLAN, tick_hz=40.0, epoch=1)
    service = Service(bus, engine, merger, (), settings, first_tick=engine.k + 1, bus_id=bus_id)
    async with served(service):
        yield service


@pytest.mark.parametrize(
    ("position", "now_ms", "to"),
    [
        (Stamp(50_000, 7), 51_000, Stamp(50_000 - REREAD_MS, 0)),
        (Stamp(50_000, 7), 44_000, Stamp(44_000 - REREAD_MS, 0)),  # the new primary's clock is 6 s behind
        (FIRST, 51_000, FIRST),
        (Stamp(4_000, 0), 4_100, FIRST),
    ],
)
def test_how_far_back(position: Stamp, now_ms: int, to: Stamp) -> None:
    assert again_from(position, now_ms) == to


async def test_what_is_stamped_before_the_position_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """The new primary lacks an entry that was used, and stamps the next one below it: a reader that only went on from
    its position would never see that one."""
    monkeypatch.setattr(failover, "ASK_EVERY_S", 0.001)
    bus, shown = FailingBus(), list[Entry]()
    async with running(bus, Engine(PLAN, t0_ms=await bus.now_ms(), tick_hz=40.0)) as service:
        service.on_entries.append(lambda entries: shown.extend(e for e in entries if e.stream == 3))
        kept = (await bus.append(3, [encode_control(Part("doors"))]))[0]
        await asyncio.sleep(0.01)  # so that the stamps differ
        await bus.append(3, [encode_control(Marker("lost"))])
        await until(lambda: service.engine.positions().get(3, kept) > kept)
        bus.fail_over(kept, behind_s=0.5)
        written = (await bus.append(3, [encode_control(Erase(19))]))[0]
        assert written < service.engine.positions()[3]
        await until(lambda: service.engine.own_counters["erasures"])
        assert service.counters.rewinds == 1
        assert service.engine.own_counters["controls_repeated"] == 1  # the part, used before, was not used again
        assert [e.payload for e in shown] == [
            encode_control(event) for event in (Part("doors"), Marker("lost"), Erase(19))
        ]
        assert service.engine.positions()[3] == written


async def test_a_cold_start_after_a_failover_goes_back_too(tmp_path: Path) -> None:
    """The checkpoint says which bus its positions are of."""
    bus, path = FailingBus(), tmp_path / "a.checkpoint"
    async with running(bus, Engine(PLAN, t0_ms=await bus.now_ms(), tick_hz=40.0), path) as service:
        kept = (await bus.append(3, [encode_control(Part("doors"))]))[0]
        await asyncio.sleep(0.01)
        await bus.append(3, [encode_control(Marker("lost"))])
        await until(lambda: service.engine.positions().get(3, kept) > kept)
    found = saved.unpack(checkpoint.read(path))
    assert found.bus == await bus.replication_id()
    assert found.t0_ms == service.engine.t0_ms
    bus.fail_over(kept, behind_s=0.2)
    await bus.append(3, [encode_control(Erase(19))])
    again, _ = saved.restore(found, PLAN, service.engine.settings, epoch=2)
    async with running(bus, again, bus_id=found.bus) as service:
        await until(lambda: service.engine.own_counters["erasures"])
        assert service.engine.own_counters["controls_repeated"] == 1
        assert service.counters.rewinds == 1


def test_a_cold_start_knows_the_controls_that_were_used() -> None:
    """An undone rest is not undone again by what a failover brings back."""
    tape = Tape()
    tape.control(at(0.5), 1, Part("rest"))
    tape.control(at(3), 1, Marker("m"))
    drive = Drive(engine(1), [*tape.entries])
    drive.run(4)
    made = Engine.restore(drive.engine.checkpoint(), drive.engine.plan, drive.engine.settings, epoch=2)
    assert made.controls_used() == drive.engine.controls_used() != []
    made.rewind(1, Stamp(T0_MS, 0))
    made.ingest([e for e in tape.entries if e.stream == 1])
    made.tick(made.k + 3)
    assert made.counters["controls_repeated"] == 2
    assert made.checkpoint() == Engine.restore(made.checkpoint(), made.plan, made.settings, epoch=2).checkpoint()


def test_only_the_newest_controls_are_kept_in_a_checkpoint() -> None:
    phone = Phone(1)
    tape = Tape()
    for event in phone.controls():
        tape.control(at(0.1), phone.shard, event)
    for second in range(0, 60, 10):
        tape.control(at(second + 0.5), phone.shard, Marker("m"))
    drive = Drive(engine(1), tape.entries)
    drive.run(61)
    assert [ms for _, ms, _, _ in drive.engine.controls_used()] == [at(30.5), at(40.5), at(50.5)]


def test_everything_is_shown_once() -> None:
    unseen = Unseen()
    entries = [Entry(Stamp(1_000 + n, 0), 2, b"%d" % n) for n in range(5)]
    assert unseen.of(entries[:3]) == entries[:3]
    assert unseen.of(entries) == entries[3:]
    other = Entry(entries[4].stamp, 2, b"another primary's")
    assert unseen.of([entries[4], other]) == [other]
    assert unseen.of([Entry(entries[4].stamp, 3, b"4")]) != []


def test_what_is_remembered_of_a_long_evening_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    unseen = Unseen()
    unseen.of([Entry(Stamp(1_000 * n, 0), 0, b"x") for n in range(1_000)])
    assert len(unseen._known[0]) == len(unseen._order[0]) == reread.REMEMBERED_MS // 1000 + 1
    monkeypatch.setattr(reread, "REMEMBERED", 10)
    unseen.of([Entry(Stamp(2_000_000, n), 0, b"x") for n in range(1_000)])
    assert len(unseen._known[0]) == 10


def test_other_surroundings_are_named(caplog: pytest.LogCaptureFixture) -> None:

    made = Engine(PLAN, t0_ms=1_000, tick_hz=20.0)
    made.tick(0)
    found = saved.unpack(saved.pack(made, Merger(PLAN, tick_hz=20.0, epoch=1)))
    assert found.versions == checkpoint.versions()
    assert found.other_versions() == ""
    warn_of_versions(found)
    assert not caplog.records
    elsewhere = Saved(0, 1, b"", {}, versions={**checkpoint.versions(), "numpy": "0.1"})
    warn_of_versions(elsewhere)
    assert "numpy 0.1 then" in caplog.text
    assert "1e-6" in caplog.text

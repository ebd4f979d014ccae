"""Which checkpoint a scaled-out aggregator goes on from, and with which tick."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator import checkpoint, saved
from aggregator.command import main
from aggregator.command.aggregate import _engine
from aggregator.command.going_on import CATCH_UP_S, first_tick, newest
from aggregator.command.settings import Settings
from aggregator.engine import Engine
from aggregator.merger import Merger
from relay.seat_plan import generated

HZ = 20.0
TONIGHT_MS, YESTERDAY_MS = 1_700_086_400_000, 1_700_000_000_000


def engine_at(t0_ms: int, k: int | None = None) -> Engine:
    engine = Engine(generated(4), t0_ms=t0_ms, tick_hz=HZ)
    if k is not None:
        engine.tick(k)
    return engine


def write(folder: Path, name: str, t0_ms: int, k: int) -> None:
    image = saved.pack(engine_at(t0_ms, k), Merger(generated(4), tick_hz=HZ))
    checkpoint.write(folder / f"{name}.checkpoint", [image])


def test_yesterdays_longer_evening_does_not_hide_tonights_checkpoint(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The volume of checkpoints outlives an evening; its tick numbers count from another beginning."""
    write(tmp_path, "aggregator-a", YESTERDAY_MS, 200_000)
    write(tmp_path, "aggregator-b", TONIGHT_MS, 1_000)
    write(tmp_path, "aggregator-c", TONIGHT_MS, 900)
    (tmp_path / "aggregator-d.checkpoint").write_bytes(b"torn")
    kept = newest(tmp_path, TONIGHT_MS)
    assert kept is not None
    assert kept.k == 1_000
    assert "aggregator-a.checkpoint is of another evening" in caplog.text
    assert "aggregator-d.checkpoint" in caplog.text
    assert newest(tmp_path, TONIGHT_MS + 1) is None
    assert newest(None, TONIGHT_MS) is None


def test_a_short_pause_is_computed_a_long_one_is_not() -> None:
    """The next day, on the same volumes, the show must not wait for ticks of a night that nobody heard."""
    engine = engine_at(TONIGHT_MS, 1_000)
    assert first_tick(engine, engine.cut_ms(1_000 + int(CATCH_UP_S * HZ))) == 1_001
    next_day_ms = TONIGHT_MS + 24 * 3_600_000
    first = first_tick(engine, next_day_ms)
    assert abs(engine.cut_ms(first) - next_day_ms) <= 1000 / HZ
    engine.tick(first)


def test_a_fresh_engine_begins_now() -> None:
    engine = engine_at(TONIGHT_MS)
    assert first_tick(engine, TONIGHT_MS - 5) == 0
    assert first_tick(engine, TONIGHT_MS + 3_600_000) == 72_000


def test_a_checkpoint_of_another_plan_does_not_keep_the_house_from_starting(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Seats changed after a first try: every aggregator would end, again and again."""
    write(tmp_path, "aggregator-a", TONIGHT_MS, 1_000)
    engine, merger = _engine(Settings(), generated(6), newest(tmp_path, TONIGHT_MS), TONIGHT_MS, HZ)
    assert (engine.k, engine.plan.seats, merger.plan.seats) == (-1, 6, 6)
    assert "beginning anew" in caplog.text


def test_without_a_folder_nothing_would_be_trimmed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["aggregate", "--bus", "redis://127.0.0.1:1", "--checkpoints", ""]) == 2
    assert "--checkpoints FOLDER" in capsys.readouterr().err

"""Who is left out of a channel is a level that reaches the notice, the page and the metric, the same for any owners."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from prometheus_client.parser import text_string_to_metric_families

from aggregator.engine import Engine
from aggregator.house_notices import left_out_lines, sentences
from aggregator.merger import Merger, merge
from aggregator.metrics import exposition
from aggregator.monitor.api import MonitorStatus, header
from aggregator.service import Service
from aggregator.snapshot import STATES, LeftOut, PartSnapshot
from relay.bus_memory import MemoryBus
from relay.entries import Channel
from relay.seat_plan import generated
from tests.aggregator.helper_engine import TICK_HZ, Drive, engine, evening, owners
from tests.aggregator.helper_outputs import estimate
from tests.aggregator.helper_signals import CHANNELS, T0_MS, Phone, house

SECONDS = 63.0  # past the minute in which a channel may still get its baseline
SKIN_ONLY: tuple[Channel, ...] = CHANNELS[1:2]


@dataclass(slots=True)
class Faint(Phone):
    """A sensor whose pulse channel is noise, as cold fingers give it."""

    def _signal(self, name: str, t: NDArray[np.float64], at: NDArray[np.int64]) -> NDArray[np.float64]:
        made = Phone._signal(self, name, t, at)
        return np.random.default_rng(at[0]).normal(0.0, 8.0, len(at)) if name == "pulse" else made


def people() -> list[Phone]:
    """Seven: three with a faint pulse, one whose sensor has skin alone."""
    made = house(7)
    for i in range(3):
        made[i] = Faint(made[i].listener, seat=made[i].seat)
    for i in (6,):
        made[i] = Phone(made[i].listener, seat=made[i].seat, channels=SKIN_ONLY)
    return made


def parts_of(owner: range, phones: list[Phone]) -> list[PartSnapshot]:
    return Drive(engine(12, owned=owner), evening(phones, SECONDS).entries).run(SECONDS)


def test_faint_signals_are_counted_among_those_who_have_the_channel() -> None:
    last = parts_of(range(16), people())[-1]
    assert last.left_out["pulse"] == (3, 6)
    assert last.left_out["skin"] == (0, 7)
    assert last.left_out["temperature"][1] == 6


def test_it_is_a_level_and_goes_back_to_none() -> None:
    drive = Drive(engine(3), evening(house(3), SECONDS).entries)
    seen = [part.left_out.get("pulse") for part in drive.run(SECONDS)]
    assert seen[int(30 * TICK_HZ)] == (0, 0)  # settling: told by the seats' states
    assert seen[-1] == (0, 3)
    drive.run(2.0)  # all fall silent
    assert drive.run(1.0)[-1].left_out["pulse"] == (0, 0)


def test_owners_add_up_and_a_restored_engine_says_the_same() -> None:
    phones = people()
    whole = parts_of(range(16), phones)
    shares = [parts_of(o, phones) for o in owners(3)]
    for k in range(0, len(whole), 7):
        assert merge([s[k] for s in shares]).left_out == merge([whole[k]]).left_out
    drive = Drive(engine(12), evening(phones, SECONDS).entries)
    drive.run(SECONDS - 0.5)
    restored = Engine.restore(drive.engine.checkpoint(), generated(12), drive.engine.settings, epoch=2)
    going_on = Drive(restored, [])
    assert going_on.run(1 / TICK_HZ)[-1].left_out == drive.engine.left_out.now != {}


def test_it_reaches_notice_page_and_metric() -> None:
    part = parts_of(range(16), people())[-1]
    plan = generated(12)
    line = "3 of 6 are left out of the pulse: faint or moving signal."
    service = Service(MemoryBus(), Engine(plan, t0_ms=T0_MS, tick_hz=TICK_HZ), Merger(plan, tick_hz=TICK_HZ), ())
    service.last = service.merger.publish([part])
    assert line in service.last.notices
    assert line in header(service.last, MonitorStatus(), 0)["left_out"]
    families = text_string_to_metric_families(exposition(service).decode())
    found = {(s.name, s.labels.get("channel")): s.value for family in families for s in family.samples}
    assert found["ripieno_house_left_out_listeners", "pulse"] == 3
    assert found["ripieno_house_channel_listeners", "pulse"] == 6
    quiet = service.merger.publish([replace(part, k=part.k + 1, left_out={"pulse": (0, 10)})])
    assert line not in quiet.notices
    assert header(quiet, MonitorStatus(), 0)["left_out"] == []


def said(left_out: LeftOut) -> tuple[str, ...]:
    states = np.zeros(STATES, np.int64)
    return sentences(estimate(counted=1000), states, (), 0.0, left_out)


def test_a_notice_from_a_fifth_and_three_sensors_on_the_page_always() -> None:
    assert said({"pulse": (47, 240)}) == ()
    assert len(said({"pulse": (48, 240)})) == len(said({"skin": (3, 4)})) == 1
    assert said({"skin": (2, 4)}) == said({"temperature": (240, 240)}) == ()
    assert left_out_lines({"pulse": (1, 240), "skin": (0, 240), "temperature": (9, 200)}) == {
        "pulse": "1 of 240 is left out of the pulse: faint or moving signal.",
        "temperature": "9 of 200 are left out of temperature: cold or still settling sensor.",
    }

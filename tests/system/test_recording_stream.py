"""A real recording through a real websocket: the pulse rate that the engine gives against a reference library's.

Source of the recording and of the reference: heartpy 1.2.7 (MIT), example 2, a finger photoplethysmogram.
"""

from __future__ import annotations

import asyncio
import time
import warnings

import numpy as np
import orjson
import pytest
from numpy.typing import NDArray
from websockets.asyncio.client import ClientConnection, connect

from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.service import Service
from relay.bus_memory import MemoryBus
from relay.seat_card import Keyring, issue
from relay.seat_plan import generated
from relay.server import Relay, RelaySettings
from relay.wire import Block, Packet, encode

SPEED = 12.0  # the evening's clock runs this much faster than the wall's; the engine only knows stamps
LENGTH_S = 300.0
PACKET_S = 0.25
WINDOW_S = 10.0  # the reference's rate: mean interval of its own accepted beats in this trailing window
TICK_HZ = 4.0
Floats = NDArray[np.float64]


def recording() -> tuple[Floats, float]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own import uses what setuptools gave up
        import heartpy

        data, times = heartpy.load_exampledata(2)
        form = "%Y-%m-%d %H:%M:%S.%f"
        rate = float(heartpy.get_samplerate_datetime(times, timeformat=form))
    return np.asarray(data[: int(LENGTH_S * rate)], np.float64), rate


def reference(data: Floats, rate: float, at_s: Floats) -> Floats:
    """heartpy's rate over the trailing window, beats a minute; NaN where it accepts too few beats."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import heartpy

        working, _ = heartpy.process(heartpy.filter_signal(data, [0.5, 5.0], rate, 2, "bandpass"), rate)
    good = np.asarray(working["binary_peaklist"], bool)
    peaks = np.asarray(working["peaklist"])[good] / rate
    intervals = np.diff(peaks)
    ok = (intervals > 60 / 180) & (intervals < 60 / 40)
    made = np.full(len(at_s), np.nan)
    for i, t in enumerate(at_s):
        inside = ok & (peaks[1:] <= t) & (peaks[1:] > t - WINDOW_S)
        if inside.sum() >= 4:
            made[i] = 60 / intervals[inside].mean()
    return made


async def send(phone: ClientConnection, token: str, data: Floats, rate: float) -> None:
    channel = {"name": "pulse", "rate_hz": rate, "unit": "raw", "scale": 1.0, "offset": 0.0}
    hello = {
        "type": "hello", "version": 1, "seat": token, "stream": "5eed", "lowest": 0, "channels": [channel],
        "sensor": {"model": "recording", "firmware": "1", "kit": "1"}, "consent": {"answer": "yes", "text": "1"},
    }  # fmt: skip
    await phone.send(orjson.dumps(hello).decode())
    assert orjson.loads(await phone.recv())["type"] == "welcome"
    begun, step = time.monotonic(), PACKET_S * rate
    for number in range(int(len(data) / step)):
        a, b = round(number * step), round((number + 1) * step)
        at_us = 1_000_000 + round(a / rate * 1e6)
        raw = encode(Packet(number, at_us, (Block(0, 0, data[a:b].astype(np.float32)),)))
        await asyncio.sleep(max(0.0, begun + b / rate / SPEED - time.monotonic()))
        await phone.send(raw)


@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_real_recording_through_a_real_websocket() -> None:
    data, rate = recording()
    real, base = time.monotonic(), 1_800_000_000.0
    bus = MemoryBus(clock=lambda: base + (time.monotonic() - real) * SPEED)
    plan, ring = generated(1), Keyring.generate()
    engine = Engine(plan, t0_ms=await bus.now_ms(), tick_hz=TICK_HZ)
    service = Service(bus, engine, Merger(plan, tick_hz=TICK_HZ, epoch=1), ())
    seen: list[tuple[float, float]] = []

    def look(_: object) -> None:
        view = engine.features()
        if len(view.listener):
            seen.append((engine.cut / 1000 - started, float(view.pulse_rate_bpm[0])))

    service.on_part_snapshot.append(look)
    relay = Relay()
    await relay.start(bus, RelaySettings(keyring=ring, evening="e"))
    running = asyncio.create_task(service.run())
    async with connect(f"ws://127.0.0.1:{relay.port}/phone", compression=None) as phone:
        started = await bus.now_ms() / 1000
        await send(phone, issue(ring, "e", 1), data, rate)
    await relay.close()
    service.stop()
    await running
    at_s, ours = np.array(seen).T
    theirs = reference(data, rate, at_s)
    inside = (at_s > WINDOW_S) & (at_s < LENGTH_S)
    both = inside & ~np.isnan(ours) & ~np.isnan(theirs)
    assert both.sum() >= 0.7 * inside.sum()
    assert np.median(np.abs(ours[both] - theirs[both])) <= 3.0
    assert engine.all_counters().get("gaps", 0) == 0

"""The monitor page in a headless Chromium: shows the snapshot, greys when it is old, works by keyboard."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from aggregator.monitor.api import MonitorStatus, OutputStatus, QueueStatus
from aggregator.monitor.server import Monitor
from aggregator.snapshot import SeatState, Snapshot
from relay.seat_plan import generated
from tests.aggregator.helper_outputs import estimate, links, snapshot
from tests.system.helper_browser import CHROMIUM, Browser, browser

pytestmark = [
    pytest.mark.needs_browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed (Debian: chromium)"),
]

KEY = "operator-key-of-the-tests"
PLAN = generated(60)
STATUS = MonitorStatus(
    version="9.9",
    outputs=(
        OutputStatus("127.0.0.1:9000", "Open Sound Control", sent=1234, age_s=0.1),
        OutputStatus("10.0.0.5:9000", "Open Sound Control", refused=8, age_s=14.2, note="nobody listens on this port"),
    ),
    queues=(QueueStatus("bus", 90, 100, "entries", "phones are asked to wait", 3),),
    notices=("rest shortened for the demo", "<b>not markup</b>"),
)


@dataclass
class House:
    """A monitor whose clock stands still until a test moves it, so that values stay fresh however slow the machine."""

    now_s: float = 100.0
    parts: list[str] = field(default_factory=list)

    async def on_part(self, part: str) -> None:
        self.parts.append(part)

    def monitor(self, plan_seats: int = 60) -> Monitor:
        plan = generated(plan_seats)
        return Monitor(plan, title="Hall", operator_token=KEY, on_part=self.on_part, clock=lambda: self.now_s)


def shot(k: int = 1, arousal: float = 0.62) -> Snapshot:
    base = snapshot(PLAN, k, house=estimate(arousal, confidence=0.81, counted=41))
    state = base.state.copy()
    state[7] = SeatState.NO_CONTACT
    level = base.arousal.copy()
    level[7] = 0.4
    return replace(base, state=state, arousal=level)


@asynccontextmanager
async def opened(
    folder: Path, house: House, first: Snapshot, fragment: str = ""
) -> AsyncIterator[tuple[Monitor, Browser]]:
    monitor = house.monitor()
    monitor.update(first, STATUS)
    port = await monitor.start("127.0.0.1", 0)
    try:
        async with browser(folder) as page:
            await page.open(f"http://127.0.0.1:{port}/{fragment}")
            yield monitor, page
    finally:
        await monitor.close()


async def test_the_page_shows_the_snapshot(tmp_path: Path) -> None:
    first = shot()
    async with opened(tmp_path, House(), first) as (monitor, page):
        await page.until("document.getElementById('value').textContent === '0.62'")
        await page.until("document.querySelectorAll('#states b')[3]?.textContent !== ''")
        assert await page.text("part") == "piece"
        assert await page.text("service") == "running"
        assert await page.text("confidence") == "0.81"
        assert await page.text("counted") == "41 of 60"
        assert await page.text("words") == "above rest, falling"
        counts = await page.value("[...document.querySelectorAll('#states b')].map(b => Number(b.textContent))")
        assert counts == first.states.tolist()
        rows = await page.value("[...document.querySelectorAll('#sections tr')].map(r => r.cells[1].textContent)")
        assert rows == ["0.30", "0.40", "0.50"]
        outputs = await page.value("[...document.querySelectorAll('#outputs tr')].map(r => r.textContent)")
        assert "sending" in outputs[0]
        assert "nobody listens on this port" in outputs[1]
        assert "nearly full" in await page.value("document.querySelector('#queues').textContent")
        notices = await page.value("[...document.querySelectorAll('#notices li')].map(r => r.textContent)")
        assert notices == ["rest shortened for the demo", "<b>not markup</b>"]
        assert "epoch 3" in await page.text("about")
        monitor.update(shot(2, 0.31), STATUS)
        await page.until("document.getElementById('value').textContent === '0.31'")
        assert await page.value("document.body.classList.contains('stale')") is False
        assert page.problems == []


async def test_nothing_is_loaded_from_elsewhere(tmp_path: Path) -> None:
    async with opened(tmp_path, House(), shot()) as (_, page):
        await page.until("document.getElementById('value').textContent === '0.62'")
        hosts = {url.split("/")[2].split(":")[0] for url in page.requested if not url.startswith("data:")}
        assert hosts == {"127.0.0.1"}
        assert page.problems == []


async def test_the_page_greys_when_no_snapshot_came_for_two_seconds(tmp_path: Path) -> None:
    house = House()
    async with opened(tmp_path, house, shot()) as (monitor, page):
        await page.until("document.getElementById('value').textContent === '0.62'")
        assert await page.value("document.getElementById('stale').hidden") is True
        house.now_s += 14
        await page.until("document.body.classList.contains('stale')")
        assert (await page.text("stale")).startswith("These values are 14 seconds old. The service answers but")
        assert "grayscale(1)" in await page.value("getComputedStyle(document.querySelector('main')).filter")
        assert await page.value("document.title") == "old values · ripieno"
        monitor.update(shot(2, 0.7), STATUS)
        await page.until("!document.body.classList.contains('stale')")
        assert await page.value("document.getElementById('stale').hidden") is True


async def test_the_page_greys_when_the_service_is_gone_and_comes_back(tmp_path: Path) -> None:
    house = House()
    monitor = house.monitor()
    monitor.update(shot(), STATUS)
    port = await monitor.start("127.0.0.1", 0)
    async with browser(tmp_path) as page:
        await page.open(f"http://127.0.0.1:{port}/")
        await page.until("document.getElementById('value').textContent === '0.62'")
        await monitor.close()
        await page.until("document.body.classList.contains('stale')")
        assert "This page has lost the service. Check that ripieno runs" in await page.text("stale")
        again = house.monitor()
        again.update(replace(shot(9, 0.44), epoch=4), STATUS)
        assert await again.start("127.0.0.1", port) == port
        try:
            await page.until("document.getElementById('value').textContent === '0.44'")
            await page.until("!document.body.classList.contains('stale')")
        finally:
            await again.close()


async def test_before_the_first_snapshot_the_page_says_so(tmp_path: Path) -> None:
    monitor = House().monitor()
    port = await monitor.start("127.0.0.1", 0)
    try:
        async with browser(tmp_path) as page:
            await page.open(f"http://127.0.0.1:{port}/")
            await page.until("document.getElementById('stale').textContent.startsWith('No values yet. The service')")
            assert page.problems == []
    finally:
        await monitor.close()


async def test_a_closed_part_is_said_beside_the_outputs(tmp_path: Path) -> None:
    async with opened(tmp_path, House(), replace(shot(), part="doors")) as (monitor, page):
        await page.until("document.getElementById('part').textContent === 'doors'")
        await page.until("!document.getElementById('closed').hidden")
        monitor.update(replace(shot(2), part="piece"), STATUS)
        await page.until("document.getElementById('closed').hidden")
        labels = "[...document.querySelectorAll('[data-part][aria-current]')].map((b) => b.dataset.part).join()"
        assert await page.value(labels) == "piece"


async def test_less_motion_is_honoured(tmp_path: Path) -> None:
    """Where less motion is asked for, a seat's colour goes a smaller share of its way with each message."""
    shares = {}
    for wish in ("no-preference", "reduce"):
        still = replace(shot(), arousal=np.zeros(60, np.float32))
        async with opened(tmp_path / wish, House(), still) as (_, page):
            await page.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-reduced-motion", "value": wish}])
            await page.until("document.getElementById('value').textContent === '0.62'")
            shares[wish] = await page.value("import('/main.js').then((m) => m.smoothing())")
    assert shares["reduce"] < shares["no-preference"] / 3


async def test_seats_are_read_by_keyboard_and_pointer(tmp_path: Path) -> None:
    first = shot()
    async with opened(tmp_path, House(), first) as (_, page):
        await page.until("document.getElementById('value').textContent === '0.62'")
        await page.value("document.getElementById('seats').focus()")
        assert (await page.text("readout")).startswith(f"Seat {PLAN.labels[0]} · Stalls · ")
        for _ in range(7):
            await page.press("ArrowRight")
        expected = f"Seat {PLAN.labels[7]} · Stalls · no contact · arousal 0.40 · confidence {first.confidence[7]:.2f}"
        assert await page.text("readout") == expected
        await page.press("ArrowDown")
        width = int(np.flatnonzero(PLAN.y > PLAN.y[0])[0])
        assert (await page.text("readout")).startswith(f"Seat {PLAN.labels[7 + width]} · ")
        await page.press("End")
        assert (await page.text("readout")).startswith(f"Seat {PLAN.labels[-1]} · ")
        box = await page.value(
            "(({left, top}) => [left, top])(document.getElementById('ring').getBoundingClientRect())"
        )
        await page.press("Home")
        await page.call("Input.dispatchMouseEvent", type="mouseMoved", x=box[0] + 15, y=box[1] + 15)
        assert (await page.text("readout")).startswith(f"Seat {PLAN.labels[-1]} · ")


async def test_who_is_left_out_and_who_is_alike_are_plain_lines(tmp_path: Path) -> None:
    first = replace(shot(), left_out={"pulse": (12, 240), "skin": (0, 250)}, links=links(60, "viola"))
    async with opened(tmp_path, House(), first) as (monitor, page):
        await page.until("document.querySelectorAll('#out li').length === 1")
        assert await page.text("out") == "12 of 240 are left out of the pulse: faint or moving signal."
        assert await page.value("document.getElementById('alike-hint').hidden") is False
        await page.value("document.getElementById('seats').focus()")
        await page.press("End")
        await page.until("document.getElementById('alike').textContent.includes('viola')")
        assert await page.text("alike") == "alike with viola 0.80, 2.5 s after, 0.20 beyond the house"
        await page.press("Home")
        assert await page.text("alike") == "not yet known to be alike with anybody"
        monitor.update(shot(2), STATUS)
        await page.until("document.getElementById('out').textContent === 'Every signal in use can be measured.'")
        assert await page.value("document.getElementById('alike').hidden") is True
        assert page.problems == []


async def test_the_part_is_changed_by_keyboard_with_a_question_between(tmp_path: Path) -> None:
    house = House()
    async with opened(tmp_path, house, shot(), f"#key={KEY}") as (_, page):
        await page.until("document.querySelector('[data-part=piece]')?.hasAttribute('aria-current')")
        assert await page.value("location.hash") == ""
        await page.value("document.querySelector('[data-part=interval]').focus()")
        await page.press("Enter")
        assert await page.text("question") == "Change from piece to interval (outputs closed)?"
        await page.press("Escape")
        assert await page.value("document.activeElement.dataset.part") == "interval"
        assert house.parts == []
        await page.press("Enter")
        await page.press("Tab")
        await page.press("Enter")
        await page.until("document.getElementById('said').textContent === 'Part: interval.'")
        assert house.parts == ["interval"]


async def test_without_the_key_the_part_stays(tmp_path: Path) -> None:
    house = House()
    async with opened(tmp_path, house, shot()) as (_, page):
        await page.until("document.querySelector('[data-part=piece]')?.hasAttribute('aria-current')")
        await page.value("document.querySelector('[data-part=after]').click()")
        await page.value("document.getElementById('yes').click()")
        assert await page.text("said") == "Enter the operator key first."
        assert await page.value("document.activeElement.id") == "key"
        assert house.parts == []


@pytest.mark.parametrize("width", [768, 1024, 1920])
async def test_nothing_is_cut_off_at_a_tablet_s_or_a_desk_s_width(tmp_path: Path, width: int) -> None:
    async with opened(tmp_path, House(), shot()) as (_, page):
        await page.until("document.getElementById('value').textContent === '0.62'")
        await page.size(width, 900)
        assert await page.value("document.documentElement.scrollWidth <= window.innerWidth")


async def test_the_seat_map_paints_states_by_shape(tmp_path: Path) -> None:
    """Read the canvas: a disc's centre is painted in the level's colour, a ring's is empty, a cross has four arms."""
    base = shot()
    state = np.full(60, SeatState.FOLLOWING, np.uint8)
    state[1], state[2] = SeatState.HELD, SeatState.NO_CONTACT
    level = np.full(60, 1.0, np.float32)
    first = replace(base, state=state, arousal=level, confidence=np.full(60, 1.0, np.float32))
    async with opened(tmp_path, House(), first) as (_, page):
        await page.until("document.getElementById('value').textContent === '0.62'")
        await page.value("document.getElementById('seats').focus()")
        pixels = []
        for _ in range(3):
            pixels.append(await page.value(AT_RING))
            await page.press("ArrowRight")
        (disc, ring, cross) = pixels
        assert disc["centre"] == [255, 242, 120, 255]  # the ramp's last step
        assert ring["centre"][3] == 0
        assert ring["edge"] > 0
        assert cross["centre"][3] == 255
        assert cross["edge"] == 0  # straight right of the centre is between the arms


AT_RING = """(() => {
  const canvas = document.getElementById('seats');
  const [a, b] = [canvas, document.getElementById('ring')].map((n) => n.getBoundingClientRect());
  const [x, y] = [Math.round(b.left + b.width / 2 - a.left), Math.round(b.top + b.height / 2 - a.top)];
  const context = canvas.getContext('2d');
  const row = [...context.getImageData(x + 4, y, Math.round(b.width / 2), 1).data].filter((_, i) => i % 4 === 3);
  return { centre: [...context.getImageData(x, y, 1, 1).data], edge: Math.max(...row) };
})()"""

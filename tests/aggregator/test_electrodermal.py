"""Skin conductance: responses against known Bateman trains and cvxEDA, artefacts, gates, equal bits."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from cvxeda import cvxEDA

from aggregator.dsp import electrodermal_filter as constants
from aggregator.dsp.columns import Floats
from aggregator.dsp.electrodermal import SkinState, update
from aggregator.dsp.grid import SKIN_HZ
from tests.aggregator.helper_channels import (
    Ran,
    Streams,
    Train,
    bateman,
    chunks_of,
    even,
    match,
    random_chunks,
    rough,
    run,
    same_rows,
    skin_train,
)

FAST, SLUGGISH, CVXEDA, DECOMPOSED = (0.75, 2.5), (1.5, 8.0), (0.7, 2.0), (1.0, 3.75)


def skin(streams: Streams, rate_hz: float = 8, minimum_us: float = 0.05) -> Ran:
    state = SkinState.allocate(len(streams.value))
    return run(
        streams,
        SKIN_HZ,
        "mean",
        chunks_of(max(2, int(rate_hz) // 4)),
        state=state,
        update=partial(update, minimum_us=minimum_us),
    )


def constant(level_us: float, seconds: int = 60, noise_us: float = 0.004, seed: int = 0) -> Floats:
    x: Floats = level_us + np.random.default_rng(seed).normal(0, noise_us, (seconds * 8, 1))
    return x


def precision_and_recall(train: Train, ran: Ran) -> tuple[float, float]:
    hits = false = missed = 0
    for i, true_s in enumerate(train.onset_s):
        found = [index / SKIN_HZ for row, index, _ in ran.events if row == i]
        h, f, m = match(found, true_s)
        hits, false, missed = hits + h, false + f, missed + m
    return hits / (hits + false), hits / (hits + missed)


@pytest.mark.parametrize(
    ("a_minute", "shape_s", "rate_hz", "least_recall"),
    [
        (4, FAST, 8, 0.85), (4, FAST, 4, 0.85), (4, FAST, 10, 0.85), (4, FAST, 32, 0.85), (4, CVXEDA, 8, 0.85),
        (4, DECOMPOSED, 8, 0.85), (4, SLUGGISH, 8, 0.75), (10, FAST, 8, 0.75),
    ],
)  # fmt: skip
def test_counts_bateman_trains(
    a_minute: float, shape_s: tuple[float, float], rate_hz: int, least_recall: float
) -> None:
    """The project's own gates; shapes: cvxEDA's defaults (Greco et al. 2016), Benedek & Kaernbach 2010."""
    train = skin_train(40, 180, a_minute, shape_s, rate_hz=rate_hz, seed=11)
    precision, recall = precision_and_recall(train, skin(even(train.x, rate_hz), rate_hz))
    assert precision >= 0.95
    assert recall >= least_recall


@pytest.mark.parametrize("shape_s", [CVXEDA, DECOMPOSED, FAST])
def test_agrees_with_cvxeda(shape_s: tuple[float, float]) -> None:
    """Onsets of cvxEDA's sparse driver (Greco et al. 2016, doi 10.1109/TBME.2015.2474131) are ours, one to one."""
    train = skin_train(1, 120, 5, shape_s, seed=5)
    quiet = {"show_progress": False}
    results = list(cvxEDA(train.x[:, 0], 1 / 8, tau0=shape_s[1], tau1=shape_s[0], options=quiet))
    phasic_driver = np.asarray(results[1]).ravel()
    strong = phasic_driver > 0.3 * np.quantile(phasic_driver, 0.99)
    begins = np.flatnonzero(strong & ~np.concatenate(([False], strong[:-1]))) / 8
    reference = begins[np.concatenate(([True], np.diff(begins) > 1.0))]
    ours = [index / SKIN_HZ for _, index, _ in skin(even(train.x, 8)).events]
    hits, false, missed = match(ours, reference)
    assert hits >= 7
    assert false + missed <= 2


def test_amplitude_onset_and_age() -> None:
    """A response of 0.3 uS at 20 s: amplitude within a third for all shapes, onset within 0.25 s, decided in 2 s."""
    t = np.arange(320) / 8
    for shape_s in (FAST, SLUGGISH, CVXEDA, DECOMPOSED):
        x = constant(5.0, 40) + 0.3 * bateman(t - 20.0, *shape_s)[:, None]
        ran = skin(even(x[: 22 * 8], 8))
        ((_, index, amplitude),) = ran.events
        assert index / 8 == pytest.approx(20.0, abs=0.25)
        assert amplitude == pytest.approx(0.3, rel=0.36)
        assert ran.state.last_response_us[0] == amplitude
        assert ran.state.responses[0] == 1


def test_the_drive_moves_before_the_event_and_falls_back() -> None:
    t = np.arange(480) / 8
    x = constant(5.0) + 0.3 * bateman(t - 20.0, *FAST)[:, None]
    before, early, late = (skin(even(x[: int(s * 8)], 8)).state.drive[0] for s in (20, 20.75, 30))
    assert early > 5 * max(before, 0.01)
    assert late < 0.1 * early


@pytest.mark.parametrize("minimum_us", [0.05, 0.2, 0.001])
def test_the_minimum_is_a_setting_with_a_floor(minimum_us: float) -> None:
    """0.05 uS by hand, 0.01 uS by computer: Boucsein et al. 2012, Psychophysiology 49:1017-1034."""
    t = np.arange(480) / 8
    x = constant(5.0, noise_us=0.0002)
    for begin, size in ((10, 0.004), (20, 0.02), (30, 0.1), (40, 0.5)):
        x += size * bateman(t - begin, *DECOMPOSED)[:, None]
    counted = {0.05: 2, 0.2: 1, 0.001: 3}[minimum_us]
    assert len(skin(even(x, 8), minimum_us=minimum_us).events) == counted


def artefact(
    kind: str, rng: np.random.Generator, rate_hz: int
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """A quiet minute with one artefact at about 30 s, and which samples arrive."""
    t = np.arange(60 * rate_hz) / rate_hz
    at, length = 30 + rng.uniform(0, 1), rng.uniform(0.6, 6)
    x = np.full(len(t), rng.uniform(2, 20))
    new = rng.choice([rng.uniform(0.6, 0.95), rng.uniform(1.05, 1.5)])
    there = np.ones(len(t), np.bool_)
    if kind == "step":
        x *= np.where(t >= at, new, 1.0)
    elif kind == "step of 20 ms":
        x += rng.uniform(0.2, 1.5) * np.clip((t - at) / 0.02, 0, 1)
    elif kind == "slip":
        x *= 1 - (t >= at) * rng.uniform(0.1, 0.9) * np.exp(-np.maximum(t - at, 0) / rng.uniform(0.3, 3))
    elif kind == "open":
        x = np.where((t >= at) & (t < at + length), 0.0, np.where(t >= at, new * x, x))
    else:
        there = (t < at) | (t >= at + length)
        x = np.where(t >= at, new * x, x)
    return x + rng.normal(0, 0.004, len(t)), there


@pytest.mark.parametrize("kind", ["step", "step of 20 ms", "slip", "open", "gap"])
def test_no_false_response_in_100_artefacts(kind: str) -> None:
    """The project's own gate. A rise within 20 ms is an artefact: rise times are 0.5-5 s (Boucsein et al. 2012)."""
    rng = np.random.default_rng(7)
    t = (np.arange(480) * 125_000).astype(np.int64)
    made = [artefact(kind, rng, 8) for _ in range(100)]
    ran = skin(Streams([t[there] for _, there in made], [x[there] for x, there in made]))
    near = [e for e in ran.events if 28 <= e[1] / 8 <= 42]
    assert near == []
    assert len(ran.events) <= 2  # the rest is a hundred minutes of noise


def test_contact_and_quality_fall_at_once_and_come_back_slowly() -> None:
    x = constant(5.0)
    x[240:280] = 0.0
    contact, quality = [], []
    for end in (240, 244, 280, 290, 480):
        state = skin(even(x[:end], 8)).state
        contact.append(bool(state.contact[0]))
        quality.append(float(state.quality[0]))
    assert contact == [True, False, False, True, True]
    assert quality[0] > 0.9
    assert quality[1] < 0.7
    assert quality[2] < 0.05
    assert quality[3] < 0.3
    assert quality[4] > 0.9
    assert not skin(even(np.full((80, 1), 75.0), 8)).state.contact[0]


def test_a_gap_spliced_out_with_a_jump_is_no_response() -> None:
    x = constant(5.0)
    t = (np.arange(480) * 125_000).astype(np.int64)
    keep = (np.arange(480) < 240) | (np.arange(480) >= 280)
    x[280:] += 0.8
    assert skin(Streams([t[keep]], [x[keep, 0]])).events == []


def test_who_never_responds_is_doubted_and_never_reads_calm() -> None:
    """About 10 % show no responses: Dawson, Schell & Filion, as quoted by Boucsein et al. 2012."""
    silent = skin(even(constant(5.0, 900), 8)).state
    train = skin_train(1, 300, 4, FAST, seed=2)
    lively = skin(even(train.x, 8)).state
    assert silent.responder[0] < 0.3
    assert lively.responder[0] > 0.9
    assert skin(even(constant(5.0, 4), 8)).state.responder[0] == pytest.approx(0.9, abs=0.01)


def test_responses_a_minute_counts_sixty_seconds_of_its_own_clock() -> None:
    t = np.arange(8 * 200) / 8
    x = constant(5.0, 200)
    for begin in range(20, 110, 10):
        x += 0.3 * bateman(t - begin, *FAST)[:, None]
    rate = {s: float(skin(even(x[: s * 8], 8)).state.responses_per_min[0]) for s in (10, 18, 118, 190)}
    assert np.isnan(rate[10])
    assert rate[18] == 0.0
    assert rate[118] == pytest.approx(5.0, abs=0.5)
    assert rate[190] == 0.0


def test_equal_bits_in_any_chunks_alone_and_among_many() -> None:
    streams = rough(20, 600, 8.0, 8.0, seed=3)
    rows = np.sort(np.random.default_rng(0).permutation(1000)[:20])
    kernel = partial(update, minimum_us=0.05)
    whole = run(streams, 8, "mean", chunks_of(16), state=SkinState.allocate(1000), update=kernel, rows=rows)
    parts = run(streams, 8, "mean", random_chunks(1, 16), state=SkinState.allocate(1000), update=kernel, rows=rows)
    same_rows(whole.state, parts.state, rows, rows)
    assert whole.events == parts.events
    for i in (0, 11):
        alone = run(streams.of(i), 8, "mean", random_chunks(2, 9), state=SkinState.allocate(1), update=kernel)
        same_rows(whole.state, alone.state, rows[i : i + 1], np.array([0]))


def test_gains_are_the_steady_state_of_the_stated_model() -> None:
    """Riccati iteration of the model in electrodermal_filter: level, two integrators, driver."""
    dt, c = 0.125, constants
    rise, recovery, driver = (np.exp(-dt / s) for s in (c.RISE_S, c.RECOVERY_S, c.DRIVER_S))
    assert (rise, recovery, driver) == pytest.approx((c.KEEP_RISE, c.KEEP_RECOVERY, c.KEEP_DRIVER), abs=1e-15)
    move = np.array([[1, 0, 0, 0], [0, rise, 0, dt], [0, 0, recovery, dt], [0, 0, 0, driver]])
    see = np.array([1.0, -1.0, 1.0, 0.0])
    spread, noise = np.eye(4), np.diag([0.01**2 * dt, 1e-10, 1e-10, 0.05**2])
    for _ in range(5000):
        spread = move @ spread @ move.T + noise
        gain = spread @ see / (see @ spread @ see + 0.004**2)
        spread = spread - np.outer(gain, see) @ spread
    assert gain == pytest.approx((c.GAIN_LEVEL, c.GAIN_RISE, c.GAIN_RECOVERY, c.GAIN_DRIVER), rel=1e-6)


def test_state_is_small() -> None:
    assert sum(SkinState.bytes_a_listener().values()) <= 600

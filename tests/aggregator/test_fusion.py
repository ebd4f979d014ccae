"""Fused arousal tick by tick: meaning, any subset, no jumps, artefacts, equal bits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.dsp import fusion
from aggregator.dsp.baseline import sized
from aggregator.dsp.columns import Floats
from aggregator.dsp.features import AUDIENCE, FusionInputs, Reading, performer_table
from aggregator.dsp.fusion import PERFORMER, FusionState, channel_values
from tests.aggregator.helper_fusion import CALM, SHORT, House, rested

EXCITED = {
    "pulse_rate": 80.0,
    "pulse_amplitude": 60.0,
    "skin_level": 6.0,
    "skin_drive": 0.2,
    "skin_responses": 12.0,
    "temperature": 32.7,
}
MOST_A_SECOND = 0.5  # contract 11: no published value moves by more


def fastest(values: Floats, dt_s: float) -> float:
    """Largest change a second."""
    return float(np.abs(np.diff(values, axis=0)).max() / dt_s)


def test_rest_is_half_and_excitement_is_up() -> None:
    house = rested()
    assert house.state.arousal[0] == pytest.approx(0.5, abs=1e-3)
    up = house.run(6.0, EXCITED)
    assert up[-1, 0] > 0.75
    down = house.run(6.0, CALM)
    assert down[-1, 0] == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("deviations", [-2.0, 1.0, 2.0, 4.0])
def test_deviations_of_a_lone_feature_have_the_meaning_of_contract_10(deviations: float) -> None:
    house = House(1)
    for name in ("pulse", "temperature"):
        house.trust[name][:] = 0.0
    calm = {"skin_level": 5.0}
    house.run(25.0, calm, rest=True)
    house.run(20.0, calm)
    level = AUDIENCE.names.index("skin_level")
    house.run(10.0, {"skin_level": 5.0 * np.exp(deviations * house.state.scale[0, level])})
    assert house.state.arousal[0] == pytest.approx((1 + np.tanh(deviations / 4)) / 2, abs=1e-3)


@pytest.mark.parametrize(
    "channels", [("pulse",), ("skin",), ("temperature",), ("pulse", "skin"), ("skin", "temperature")]
)
def test_any_subset_of_channels_is_a_listener(channels: tuple[str, ...]) -> None:
    whole, part = rested(), House(1)
    for name in set(AUDIENCE.channels) - set(channels):
        part.trust[name][:] = 0.0
    part.run(24.0, CALM, rest=True)
    part.run(20.0, CALM)
    assert 0.1 < part.state.confidence[0] < whole.state.confidence[0]
    assert part.run(10.0, EXCITED)[-1, 0] > 0.6


@pytest.mark.parametrize("channel", AUDIENCE.channels)
def test_a_channel_that_dies_or_comes_does_not_jump(channel: str) -> None:
    """Channels disagree on purpose: pulse down, skin up."""
    odd = {**EXCITED, "pulse_rate": 60.0, "pulse_amplitude": 140.0}
    house = rested(dt_s=0.05)
    house.run(8.0, odd)
    before = house.state.arousal.copy()
    house.trust[channel][:] = 0.0
    died = house.run(12.0, odd)
    assert np.abs(died[0] - before)[0] < 0.02
    assert fastest(np.vstack([before, died]), 0.05) < 0.25
    house.trust[channel][:] = 1.0
    came = house.run(20.0, odd)
    assert fastest(np.vstack([died[-1], came]), 0.05) < 0.35
    assert came[-1] == pytest.approx(before, abs=0.01)


def test_silence_holds_the_value_and_loses_confidence() -> None:
    house = rested()
    house.run(10.0, EXCITED)
    before = house.state.arousal[0]
    for k in range(100):
        for age in house.age_s.values():
            age[:] = 0.2 * k
        house.tick(EXCITED)
    assert house.state.arousal[0] == pytest.approx(before, abs=0.03)
    assert house.state.confidence[0] < 0.01


def test_first_contact_starts_from_rest_without_a_jump() -> None:
    house = House(1, dt_s=0.05)
    house.run(27.0, CALM, rest=True)
    fresh = House(1, dt_s=0.05)
    begun = fresh.run(60.0, EXCITED)
    assert fastest(begun, 0.05) < MOST_A_SECOND
    assert begun[0, 0] == 0.5


def test_values_run_in_lines_between_refreshes() -> None:
    house = rested(dt_s=0.05)
    z = []
    for _ in range(40):
        house.tick(EXCITED)
        z.append(house.state.z[0])
    steps = np.diff(z)
    assert steps.max() > 0.05
    assert np.unique(np.round(steps, 9)).size <= 11, "ten equal steps a refresh"


@pytest.mark.parametrize("name", ["pulse_rate", "pulse_amplitude", "skin_level", "temperature"])
@pytest.mark.parametrize("late_ticks", range(10))
def test_what_a_kernel_says_is_published_within_a_second(name: str, late_ticks: int) -> None:
    """The method card's latency of this stage, wherever in the turn the change falls (skin drive is eased)."""
    house = rested(dt_s=0.05)
    house.run(0.05 * late_ticks, CALM)
    f = AUDIENCE.names.index(name)
    small = CALM[name] * np.exp(0.02)
    path = house.run(1.0, {**CALM, name: small})[:, 0] - 0.5
    settled = house.run(3.0, {**CALM, name: small})[-1, 0] - 0.5
    assert abs(settled) > 1e-4
    assert path[-1] == pytest.approx(settled, rel=0.02)
    assert np.sign(settled) == np.sign(AUDIENCE.weight[f])


def test_movement_lowers_confidence_in_proportion() -> None:
    house = rested()
    full = house.state.confidence[0]
    house.movement = np.array([0.4])
    house.run(8.0, CALM)
    assert house.state.confidence[0] == pytest.approx(0.6 * full, abs=0.01)
    house.movement = np.array([np.nan])
    house.run(20.0, CALM)
    assert house.state.confidence[0] == pytest.approx(full, abs=0.01)


def test_exercise_is_not_published_as_feeling() -> None:
    house = rested()
    house.movement = np.array([0.9])
    moving = house.run(30.0, EXCITED)
    assert np.abs(moving - 0.5).max() < 0.05
    assert house.state.confidence[0] < 0.1


def test_a_clap_without_a_motion_sensor_is_held() -> None:
    """Pulse and skin lose their trust at once and return at once, with nonsense in between."""
    house = rested(dt_s=0.05)
    full = house.state.confidence[0]
    nonsense = {**CALM, "skin_drive": 2.0, "skin_level": 12.0, "pulse_rate": 150.0}
    seen = []
    for clap in range(8):
        for channel in ("pulse", "skin"):
            house.trust[channel][:] = 0.1 if clap % 2 else 0.4
        seen.append(house.run(0.5, nonsense))
    assert np.abs(np.vstack(seen) - 0.5).max() < 0.05
    assert house.state.confidence[0] < 0.5 * full


def test_a_dancing_finger_without_a_motion_sensor_is_held() -> None:
    """A pulse wave of three times its size with the beat of the music for a rate: movement, not calm nor excitement."""
    house = rested(dt_s=0.05)
    full = house.state.confidence[0]
    dance = {**CALM, "pulse_rate": 120.0, "pulse_amplitude": 300.0}
    seen = house.run(12.0, dance)
    assert np.abs(seen - 0.5).max() < 0.05
    assert house.state.confidence[0] < 0.85 * full
    house.run(40.0, {**CALM, "pulse_amplitude": 300.0})
    assert house.state.trust[0, 0] == 1.0, "a sensor put on anew is believed again"


def test_fingers_that_warm_or_return_from_tension_are_no_leap() -> None:
    house = rested()
    house.run(30.0, {**CALM, "pulse_amplitude": 50.0})
    for k in range(25):
        house.tick({**CALM, "pulse_amplitude": 50.0 + 2.0 * k})
        assert house.state.trust[0, 0] == 1.0
    for k in range(600):
        house.tick({**CALM, "pulse_amplitude": 100.0 * 2.5 ** (k / 600)})
        assert house.state.trust[0, 0] == 1.0


def test_who_is_left_out_is_counted_by_channel() -> None:
    house = rested(4)
    house.trust["pulse"][:3] = 0.0
    house.trust["temperature"][1] = 0.0
    house.run(1.0, CALM)
    out = {name: who.tolist() for name, who in fusion.left_out(house.state, np.arange(4)).items()}
    assert out == {"pulse": [True] * 3 + [False], "skin": [False] * 4, "temperature": [False, True, False, False]}
    house.trust["pulse"][:] = 0.04
    house.run(1.0, CALM)
    assert fusion.left_out(house.state, np.array([3]))["pulse"].tolist() == [True]


def test_a_single_lost_channel_is_no_clap() -> None:
    house = rested()
    house.trust["pulse"][:] = 0.0
    house.run(1.0, CALM)
    assert house.state.artefact_s[0] == 0.0


def test_a_performer_keeps_channels_while_moving() -> None:
    """Confidence of arousal falls, channels keep flowing."""
    house = rested(settings=replace(PERFORMER, baseline=SHORT.baseline))
    house.movement = np.array([0.9])
    house.run(5.0, EXCITED)
    value, confidence = channel_values(house.state, 0, AUDIENCE)["pulse_rate"]
    assert value > 0.6
    assert confidence == pytest.approx(1.0)
    assert house.state.confidence[0] < 0.15


def test_a_performers_table_publishes_breath_muscle_and_scalars() -> None:
    table = performer_table(("alpha",))
    state = sized(FusionState, table.size).allocate(2)
    row = np.arange(2)
    fusion.begin(state, row, row)

    unit = 1e-6  # a band power in square volts: nobody knows its usual spread

    def tick(breath: float, alpha: float, *, rest: bool) -> None:
        both = np.full(2, True)
        readings = {"breath_rate": Reading(np.full(2, breath)), "alpha": Reading(np.full(2, unit * alpha))}
        fusion.observe(
            state,
            FusionInputs(readings, {}),
            rest=both & rest,
            drift=both & False,
            dt_s=0.2,
            settings=SHORT,
            table=table,
        )

    for k in range(130):
        tick(14.0, 5.0 + k % 5, rest=k < 120)
    for _ in range(50):
        tick(24.0, 10.0, rest=False)
    shown = channel_values(state, 1, table)
    assert set(shown) == {"breath_rate", "alpha"}
    assert shown["breath_rate"][0] > 0.8
    assert shown["alpha"][0] > 0.6
    assert state.arousal[1] > 0.6, "breath counts"
    tick(14.0, 900.0, rest=False)
    assert state.weight[1, table.names.index("alpha")] == 0.0, "a scalar never does"


def evening(house: House, seed: int, ticks: int, pick: slice) -> None:
    """Random readings, trusts, ages and movement for 300 listeners, of which the house has some."""
    rng = np.random.default_rng(seed)
    n = 300
    for k in range(ticks):
        values: dict[str, Floats | float] = {
            name: (x * np.exp(0.2 * rng.normal(size=n)) if x else np.abs(0.05 * rng.normal(size=n)))[pick]
            for name, x in CALM.items()
        }
        for channel in AUDIENCE.channels:
            house.trust[channel] = (rng.random(n) ** 0.3)[pick]
            house.age_s[channel] = (8 * rng.random(n) ** 4)[pick]
        house.movement = np.where(rng.random(n) < 0.9, 0.0, rng.random(n))[pick]
        house.tick(values, rest=20 < k < 380, drift=k > 500)


def test_equal_bits_alone_and_among_many() -> None:
    """Contract 1; 300 stand for the 1,000 of the contract: no arithmetic here changes with the number of rows."""
    many, alone = House(300, dt_s=0.05), House(1, dt_s=0.05, keys=171)
    evening(many, 3, 700, slice(None))
    evening(alone, 3, 700, slice(171, 172))
    for name, column in alone.state.arrays().items():
        assert np.array_equal(column[0], many.state.arrays()[name][171], equal_nan=True), name
    assert many.state.baseline_stage.max() == 2


def test_turns_follow_the_listener_not_the_row() -> None:
    state = FusionState.allocate(8)
    fusion.begin(state, np.array([5]), np.array([1234567]))
    other = FusionState.allocate(2)
    fusion.begin(other, np.array([0]), np.array([1234567]))
    assert state.key[5] == other.key[0]


def test_rows_not_in_use_stay_empty() -> None:
    state = FusionState.allocate(3)
    live = np.array([True, False, True])
    readings = {"skin_level": Reading(np.full(3, 5.0))}
    none = np.zeros(3, np.bool_)
    for _ in range(200):
        fusion.observe(state, FusionInputs(readings, {}), rest=none, drift=none, dt_s=0.2, settings=SHORT, live=live)
    fresh = FusionState.allocate(1)
    for name, column in state.arrays().items():
        assert np.array_equal(column[1], fresh.arrays()[name][0], equal_nan=True), name
    assert state.taken_s[0] > 0


number = st.one_of(st.floats(allow_nan=True, allow_infinity=True, width=64), st.sampled_from([0.0, 1.0, 70.0]))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(number, min_size=10, max_size=10), min_size=1, max_size=20))
def test_whatever_comes_the_result_is_finite_and_in_range(rows: list[list[float]]) -> None:
    house = rested(dt_s=0.2)
    for row in rows:
        values = dict(zip(CALM, (np.array([x]) for x in row[:6]), strict=True))
        for channel, x in zip(AUDIENCE.channels, row[6:9], strict=True):
            house.trust[channel] = np.array([x])
            house.age_s[channel] = np.array([abs(x)])
        house.movement = np.array([row[9]])
        house.tick(values, rest=True, drift=True)
        for column in (house.state.arousal, house.state.confidence):
            assert np.isfinite(column).all()
            assert 0.0 <= column[0] <= 1.0
        assert np.isfinite(house.state.z).all()
        assert np.isfinite(house.state.z_feature).all()


def test_state_stays_within_its_share() -> None:
    """4 kB of scalars and 12 kB of rings a listener for the whole engine; this module's share of both."""
    size = FusionState.bytes_a_listener()
    assert size["ring"] == 120 * AUDIENCE.size * 4
    assert sum(size.values()) - size["ring"] <= 1024


@pytest.mark.parametrize(
    ("tick_hz", "stride"), [(1, 1), (5, 1), (7, 4), (10, 5), (15, 5), (20, 10), (25, 5), (30, 15), (31, 16), (44, 22)]
)
def test_a_refresh_is_half_a_second_or_a_whole_part_of_one(tick_hz: int, stride: int) -> None:
    assert fusion.stride_of(fusion.FusionSettings(), 1 / tick_hz) == stride


def test_the_house_is_refreshed_together_whenever_they_came() -> None:
    """Listeners who begin at any tick share a turn; a house begun at any tick keeps the key's few bits."""
    stride = fusion.stride_of(fusion.FusionSettings(), 0.05)
    assert stride == 10
    turns, seconds = set(), set()
    for began in (-1, 0, 3, 17, 12_345):
        for listener in (0, 1, 2, 7, 1 << 60, (1 << 63) + 5):
            state = FusionState.allocate(1)
            fusion.begin(state, np.array([0]), np.array([fusion.turn_key(listener, began, stride)]))
            assert 0 <= state.key[0] <= fusion.KEY_BITS
            assert state.key[0] == fusion.turn_key(listener, began, stride), "no bit was cut off"
            refreshed = (k for k in range(began, began + stride) if (k - began + state.key[0]) % stride == 0)
            turns.add(next(refreshed) % stride)
            seconds.add(int(state.key[0]) // stride % 4)
    assert len(turns) == 1
    assert len(seconds) == 4, "what comes once a second does not come for everybody at once"

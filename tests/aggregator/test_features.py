"""The feature table and its gathering."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import numpy as np
import pytest

import aggregator
from aggregator.dsp.features import (
    AUDIENCE,
    BODY,
    FeatureTable,
    FusionInputs,
    Reading,
    Transform,
    audience_inputs,
    gather,
    performer_table,
)

ALL = np.arange(3)


def one(name: str, values: list[float], trust: float = 1.0, age_s: float = 0.0) -> tuple[list[float], list[float]]:
    x = np.array(values)
    channel = next(f.channel for f in AUDIENCE.features if f.name == name)
    inputs = FusionInputs({name: Reading(x, (np.full(len(x), trust),))}, {channel: np.full(len(x), age_s)})
    got, quality = gather(AUDIENCE, inputs, np.arange(len(x)))
    f = AUDIENCE.names.index(name)
    return got[:, f].tolist(), quality[:, f].tolist()


def test_a_tenfold_level_is_a_shift_that_rest_takes_away() -> None:
    """log(10 a) - log(10 b) = log(a) - log(b): definition of the logarithm."""
    got, _ = one("skin_level", [2.0, 3.0, 20.0, 30.0])
    assert got[1] - got[0] == pytest.approx(got[3] - got[2])


def test_drive_is_log1p_in_its_unit() -> None:
    unit = next(f.unit_floor for f in AUDIENCE.features if f.name == "skin_drive")
    got, quality = one("skin_drive", [0.0, unit, 9 * unit, -0.001])
    assert got[:3] == pytest.approx(np.log([1.0, 2.0, 10.0]))
    assert np.isnan(got[3])
    assert quality == [1.0, 1.0, 1.0, 0.0]


def test_temperature_is_itself() -> None:
    got, _ = one("temperature", [33.25, -1.0, np.nan])
    assert got[:2] == [33.25, -1.0]
    assert np.isnan(got[2])


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf, 0.0, -5.0])
def test_values_outside_the_domain_are_unknown_and_count_nothing(wrong: float) -> None:
    got, quality = one("pulse_rate", [wrong])
    assert np.isnan(got[0])
    assert quality == [0.0]


@pytest.mark.parametrize(
    ("age_s", "expected"), [(0.0, 1.0), (3.0, 1.0), (6.5, 0.5), (10.0, 0.0), (np.inf, 0.0), (np.nan, 0.0)]
)
def test_trust_fades_with_the_age_of_the_channel(age_s: float, expected: float) -> None:
    _, quality = one("pulse_rate", [70.0], age_s=age_s)
    assert quality == [pytest.approx(expected)]


@pytest.mark.parametrize("trust", [np.nan, -1.0])
def test_trust_that_is_not_a_number_counts_nothing(trust: float) -> None:
    assert one("pulse_rate", [70.0], trust=trust)[1] == [0.0]


def test_a_channel_nobody_has_is_unknown() -> None:
    got, quality = gather(AUDIENCE, FusionInputs({}, {}), ALL)
    assert np.isnan(got).all()
    assert not quality.any()


def kernels(**changed: object) -> FusionInputs:
    o = np.ones(3)
    yes = o > 0
    columns: dict[str, object] = {
        "rate_bpm": 70 * o, "rate_confidence": 0.8 * o, "pulse_quality": 0.9 * o, "amplitude": 100 * o,
        "pulse_contact": yes, "pulse_age_s": 0 * o, "level_us": 5 * o, "drive": 0 * o, "responses_per_min": 2 * o,
        "skin_quality": o, "skin_contact": yes, "responder": yes, "skin_age_s": 0 * o, "celsius": 33 * o,
        "temperature_weight": 0.5 * o, "temperature_quality": o, "temperature_age_s": 0 * o,
    }  # fmt: skip
    return audience_inputs(**{**columns, **changed})  # type: ignore[arg-type]


def test_kernels_columns_reach_their_features() -> None:
    values, quality = gather(AUDIENCE, kernels(), ALL)
    expected = [np.log(70), np.log(100), np.log(5), 0.0, np.log(3), 33.0]
    assert values[1] == pytest.approx(expected)
    assert quality[1] == pytest.approx([0.8, 0.9 * 0.8, 1.0, 1.0, 1.0, 0.5])


def test_a_faint_signal_counts_as_much_as_a_strong_one() -> None:
    """Equal trust: amplitude and level may not enter quality."""
    loud, quiet = kernels(amplitude=np.full(3, 5000.0)), kernels(amplitude=np.full(3, 0.05), level_us=np.full(3, 0.3))
    assert np.array_equal(gather(AUDIENCE, loud, ALL)[1], gather(AUDIENCE, quiet, ALL)[1])


def test_who_never_responds_is_trusted_less_not_read_as_calm() -> None:
    """About 10 % of people show no skin responses (Dawson, Schell & Filion)."""
    _, quality = gather(AUDIENCE, kernels(responder=np.zeros(3, np.bool_)), ALL)
    names = AUDIENCE.names
    assert quality[0, names.index("skin_drive")] == pytest.approx(0.3)
    assert quality[0, names.index("skin_responses")] == pytest.approx(0.3)
    assert quality[0, names.index("skin_level")] == 1.0


def test_no_contact_counts_nothing() -> None:
    _, quality = gather(AUDIENCE, kernels(pulse_contact=np.zeros(3, np.bool_)), ALL)
    assert not quality[:, :2].any()


def test_pulse_rate_never_holds_the_majority() -> None:
    """Heart rate can fall with arousing music (PMC4623197): it may not decide arousal alone."""
    weights = {f.name: f.weight for f in AUDIENCE.features}
    assert weights["pulse_rate"] < 0.5 * (sum(map(abs, weights.values())) - weights["pulse_rate"])
    assert max(weights, key=lambda name: abs(weights[name])) == "skin_drive"


def test_every_row_of_the_table_says_why_and_can_be_computed() -> None:
    for f in (*BODY, *performer_table(("alpha",)).features[-1:]):
        assert f.reason
        assert f.source
        assert f.scale_floor > 0, "a floor is mandatory: medians of rest can have no spread"
        assert np.isnan(f.prior_scale) == (f.relative_floor > 0)
        assert np.isnan(f.prior_scale) or f.prior_scale >= f.scale_floor
        assert f.unit_floor > 0 or f.transform is Transform.IDENTITY


def test_a_performers_table_adds_named_scalars_that_never_count() -> None:
    table = performer_table(("alpha", "theta"))
    assert table.names[-2:] == ("alpha", "theta")
    assert table.weight[-2:].tolist() == [0.0, 0.0]
    with pytest.raises(ValueError, match="distinct"):
        performer_table(("alpha", "alpha"))
    with pytest.raises(ValueError, match="at least one"):
        FeatureTable(())


METHODS = (Path(aggregator.__file__).parent / "METHODS.md").read_text()


def in_code(name: str) -> float:
    """A constant's value by its name in the method card: module.NAME or module.Settings.field."""
    module, *path = name.split(".")
    inside = (Path(aggregator.__file__).parent / "dsp" / f"{module}.py").exists()
    found = importlib.import_module(f"aggregator.dsp.{module}" if inside else f"aggregator.{module}")
    for part in path:
        found = getattr(found, part)
        found = found() if isinstance(found, type) else found
    return float(found)


def test_the_method_cards_constants_are_the_codes() -> None:
    rows = re.findall(r"^\| `([a-z_]+\.[A-Za-z_.0-9]+)` \| ([-+0-9.e]+) \|", METHODS, re.MULTILINE)
    assert len(rows) > 90
    assert {name: float(value) for name, value in rows} == {name: in_code(name) for name, _ in rows}


def test_the_method_cards_feature_table_is_the_codes() -> None:
    for f in BODY:
        unit = "" if f.transform is Transform.IDENTITY else f"{f.unit_floor:g}"
        numbers = f"{f.weight:+g} | {unit} | {f.scale_floor:g} | {f.prior_scale:g} | {f.age_s:g}"
        row = rf"^\| `{f.name}`.* \| {f.channel} \| {f.transform.name.lower()} \| {re.escape(numbers)} \|"
        assert re.search(row, METHODS, re.MULTILINE), f.name

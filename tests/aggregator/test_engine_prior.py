"""The house's prior of scales, in every shape that an engine makes, keeps or is sent, while it ticks."""

from __future__ import annotations

import numpy as np
import pytest

from aggregator.dsp.features import AUDIENCE
from aggregator.engine import Engine
from relay.bus import SHARDS
from relay.entries import HousePrior
from tests.aggregator.helper_engine import Drive, engine, evening
from tests.aggregator.helper_signals import T0_MS, Phone

TOLD_MS = T0_MS + 2_000
A_WHILE_S = 4.0
SECONDS = 28.0  # past the provisional baseline, whose scale is shrunk towards the prior
WIDE = {name: 20.0 * scale for name, scale in zip(AUDIENCE.names, AUDIENCE.prior_scale.tolist(), strict=True)}
FIRST = dict(list(WIDE.items())[:1])
AUDIENCE_OF_THREE = [Phone(1, seat=1), Phone(2, seat=2), Phone(SHARDS + 1, seat=3)]  # two in stream 1, one in 2
VIOLA = Phone(4, seat=0, role="performer", name="viola")

EVERYWHERE, OWN = tuple(range(SHARDS + 1)), (1,)


def played(
    scale: dict[str, float], streams: tuple[int, ...], phones: list[Phone],
    owned: tuple[int, ...] = tuple(range(SHARDS)), *, seconds: float = A_WHILE_S,
) -> Engine:  # fmt: skip
    """An engine after an evening in which these streams were told a prior."""
    tape = evening([p for p in phones if p.shard in owned], seconds)
    for stream in streams:
        tape.control(TOLD_MS, stream, HousePrior(dict.fromkeys(scale, 0.0), scale))
    made = engine(8, owned=owned)
    drive = Drive(made, [e for e in tape.entries if e.stream in (*owned, SHARDS)])
    assert len(drive.run(seconds)) == round(seconds * made.tick_hz)
    return made


def scales(made: Engine, phone: Phone) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """A listener's scales in use, (features,)."""
    table = made.listeners.table
    (row,) = np.flatnonzero(table.used & (table.listener == phone.listener))
    found: np.ndarray[tuple[int, ...], np.dtype[np.float64]] = made.chains.fusion.scale[row].copy()
    return found


@pytest.mark.parametrize("scale", [{}, FIRST, WIDE, {**WIDE, "of another version": 2.0}])
@pytest.mark.parametrize("streams", [EVERYWHERE, (1,), (SHARDS,), (0, 3)])
@pytest.mark.parametrize(
    ("phones", "owned"),
    [
        ([], EVERYWHERE[:-1]),
        (AUDIENCE_OF_THREE, EVERYWHERE[:-1]),
        (AUDIENCE_OF_THREE, OWN),
        ([*AUDIENCE_OF_THREE, VIOLA], EVERYWHERE[:-1]),
        ([VIOLA], EVERYWHERE[:-1]),
    ],
)
def test_every_shape_is_taken(
    scale: dict[str, float], streams: tuple[int, ...], phones: list[Phone], owned: tuple[int, ...]
) -> None:
    made = played(scale, streams, phones, owned)
    assert made.own_counters["priors"] == len(set(streams) & {*owned, SHARDS})
    assert made.own_counters["control_ignored"] == 0


def test_a_prior_is_for_the_listeners_of_its_stream_alone() -> None:
    told, untold = (played(WIDE, s, AUDIENCE_OF_THREE, seconds=SECONDS) for s in ((1,), ()))
    for phone in AUDIENCE_OF_THREE:
        with_it, without = scales(told, phone), scales(untold, phone)
        assert np.isfinite(without).any()
        if phone.shard == 1:
            known = np.isfinite(without)
            assert (with_it[known] >= without[known]).all()
            assert (with_it[known] > without[known]).any()
        else:
            np.testing.assert_array_equal(with_it, without)


@pytest.mark.parametrize("wrong", [0.0, -1.0])
def test_a_scale_that_is_none_is_ignored_whole(wrong: float) -> None:
    made = played({**WIDE, AUDIENCE.names[0]: wrong}, (1,), [])
    assert made.own_counters["priors"] == 0
    assert made.own_counters["control_ignored"] == 1


def test_what_an_engine_says_of_its_house_is_what_engines_take() -> None:
    seated = [Phone(n, seat=n) for n in range(1, 9)]
    first = engine(8)
    Drive(first, evening(seated, 38.0).entries).run(38.0)
    said = first.prior_summary()
    assert said is not None
    assert played(said[1], EVERYWHERE, AUDIENCE_OF_THREE).own_counters["priors"] == SHARDS + 1


def test_a_prior_survives_a_checkpoint() -> None:
    made = played(WIDE, (1,), AUDIENCE_OF_THREE)
    again = Engine.restore(made.checkpoint(), made.plan, made.settings, epoch=2)
    assert again.shards_state.prior == made.shards_state.prior
    again.tick(made.k + 1)

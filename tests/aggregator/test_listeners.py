"""Rows, claims, consent, channels, bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from aggregator.dsp.columns import Columns, Floats, column
from aggregator.listeners import GROWTH_ROWS, MAX_EARLY_CONSENTS, MAX_PERFORMERS, Claimed, Kind, Listeners, Role, usable
from relay.entries import Channel, Join, Stamp

PULSE = Channel("pulse", 64.0, "raw")


@dataclass(slots=True)
class Body(Columns):
    """Some column of a kernel."""

    value: Floats = column(doc="a value", fill=-1.0)


def join(listener: int, stream: int = 1, role: str = "audience", *channels: Channel, name: str = "") -> Join:
    return Join(listener, stream, 1, role, channels or (PULSE,), name=name)


def test_a_claim_makes_a_row_and_is_found_again() -> None:
    people = Listeners()
    ids = [5, (1 << 64) - 1, 0, 77]
    rows = [people.claim(join(i), Stamp(1, n), i % 16)[1] for n, i in enumerate(ids)]
    assert people.lookup(np.array([77, 5, 6, 0, (1 << 64) - 1], np.uint64)).tolist() == [
        rows[3], rows[0], -1, rows[2], rows[1],
    ]  # fmt: skip
    assert people.rows().tolist() == sorted(rows)


@pytest.mark.parametrize("spread", [1 << 64, 1 << 40, 700])
def test_keys_that_share_their_leading_bits_are_found_too(spread: int) -> None:
    """Against a dictionary, as the house grows: hashes, numbers of which all are small, and neighbours."""
    rng = np.random.default_rng(spread & 0xFF)
    people, row_of = Listeners(), {}
    for n, i in enumerate(rng.integers(0, spread - 1, 600, np.uint64, endpoint=True).tolist()):
        row_of[i] = people.claim(join(i), Stamp(n + 1, 0), i % 16)[1]
        if n % 97 == 0 or n == 599:
            asked = [*row_of, *((k + 1) % (1 << 64) for k in row_of)]
            assert people.lookup(np.array(asked, np.uint64)).tolist() == [row_of.get(k, -1) for k in asked]


def test_nobody_is_found_in_an_empty_house() -> None:
    assert Listeners().lookup(np.array([1, 2], np.uint64)).tolist() == [-1, -1]


def test_the_newest_claim_wins() -> None:
    people = Listeners()
    assert people.claim(join(5, 1), Stamp(10, 0), 5)[0] is Claimed.NEW
    assert people.claim(join(5, 1), Stamp(20, 0), 5)[0] is Claimed.SAME
    assert people.claim(join(5, 2), Stamp(20, 1), 5)[0] is Claimed.REPLACED
    assert people.claim(join(5, 3), Stamp(15, 0), 5) == (Claimed.REFUSED, -1)
    assert int(people.table.stream[0]) == 2


def test_consent_follows_the_stream() -> None:
    people = Listeners()
    people.answer(5, True)
    people.claim(join(5, 1), Stamp(1, 0), 5)
    assert people.table.consent[0]
    people.answer(5, True)
    people.claim(join(5, 1), Stamp(2, 0), 5)
    assert people.table.consent[0]
    people.claim(join(5, 2), Stamp(3, 0), 5)
    assert not people.table.consent[0]
    people.answer(5, True)
    people.claim(join(5, 3), Stamp(4, 0), 5)
    assert people.table.consent[0]


def test_rows_grow_with_what_is_attached_and_keep_their_bits() -> None:
    people, body = Listeners(), Body.allocate(1)
    people.attach(body)
    for i in range(GROWTH_ROWS):
        people.claim(join(i), Stamp(1, i), 0)
    body.value[:] = np.arange(GROWTH_ROWS)
    people.claim(join(10**6), Stamp(2, 0), 0)
    assert people.capacity == len(body.value) == 2 * GROWTH_ROWS
    assert body.value[:GROWTH_ROWS].tolist() == list(range(GROWTH_ROWS))
    assert (body.value[GROWTH_ROWS:] == -1).all()


def test_a_full_house_refuses_and_an_erased_row_is_given_again() -> None:
    people, body = Listeners(limit=2), Body.allocate(1)
    people.attach(body)
    people.claim(join(1), Stamp(1, 0), 0)
    people.claim(join(2), Stamp(1, 1), 0)
    assert people.claim(join(3), Stamp(1, 2), 0)[0] is Claimed.REFUSED
    body.value[0] = 9.0
    assert people.erase(1) == 0
    assert body.value[0] == -1.0
    assert people.claim(join(1), Stamp(2, 0), 0)[0] is Claimed.REFUSED
    assert people.claim(join(3), Stamp(2, 1), 0) == (Claimed.NEW, 0)
    assert not people.table.consent[0]


@pytest.mark.parametrize(
    "event",
    [
        join(-1), join(1 << 64), join(1, -1), join(1, 1 << 64), join(1, 1, "conductor"),
        Join(1, 1, -3, "audience", ()), Join(1, 1, 10**9, "audience", ()),
        Join(1, 1, 1, "audience", (), lowest=1 << 32),
        Join("x", 1, 1, "audience", ()), Join(1, 1, 1, "audience", (), name=5),  # type: ignore[arg-type]
    ],
)  # fmt: skip
def test_claims_that_fit_no_column_are_refused(event: Join) -> None:
    assert Listeners().claim(event, Stamp(1, 0), 0) == (Claimed.REFUSED, -1)


def test_channels_by_name_and_only_the_first_of_a_kind() -> None:
    people = Listeners()
    red, green = Channel("pulse", 30.0, "raw", 2.0, 1.0), Channel("pulse", 30.0, "raw")
    people.claim(
        join(1, 1, "audience", red, green, Channel("breath", 16.0, "raw"), Channel("skin", 8.0, "uS")), Stamp(1, 0), 0
    )
    t = people.table
    assert t.kind[0, :5].tolist() == [Kind.PULSE, Kind.NONE, Kind.NONE, Kind.SKIN, Kind.NONE]
    assert (t.scale[0, 0], t.offset[0, 0], t.step_us[0, 3]) == (2.0, 1.0, 125_000.0)
    assert int(t.channels[0]) == 4


def test_performers_have_breath_muscle_and_scalars_until_their_table_is_full() -> None:
    people = Listeners()
    channels = (Channel("breath", 16.0, "raw"), Channel("muscle", 500.0, "raw"), Channel("alpha", 4.0, "uV"))
    for i in range(MAX_PERFORMERS + 1):
        people.claim(join(i, 1, "performer", *channels, name=f"p{i}"), Stamp(1, i), 0)
    assert people.table.kind[0, :3].tolist() == [Kind.BREATH, Kind.MUSCLE, Kind.SCALAR_1]
    assert people.table.slot[: MAX_PERFORMERS + 1].tolist() == [*range(MAX_PERFORMERS), -1]
    assert people.table.kind[MAX_PERFORMERS, :3].tolist() == [Kind.NONE] * 3
    assert people.names[3] == "p3"
    people.claim(join(3, 1, "audience"), Stamp(2, 0), 0)
    assert people.table.role[3] == Role.AUDIENCE
    assert 3 not in people.names


@pytest.mark.parametrize(
    "channel",
    [
        Channel("pulse", 0.0, "raw"), Channel("pulse", -64.0, "raw"), Channel("pulse", float("nan"), "raw"),
        Channel("pulse", float("inf"), "raw"), Channel("pulse", 1e6, "raw"), Channel("pulse", 64.0, "raw", 0.0),
        Channel("pulse", 64.0, "raw", float("nan")), Channel("pulse", "64", "raw"),  # type: ignore[arg-type]
    ],
)  # fmt: skip
def test_channels_that_no_value_can_be_computed_with_are_not_used(channel: Channel) -> None:
    assert not usable(channel)
    people = Listeners()
    people.claim(join(1, 1, "audience", channel), Stamp(1, 0), 0)
    assert people.table.kind[0, 0] == Kind.NONE


def test_consents_without_a_claim_are_bounded() -> None:
    people = Listeners()
    for i in range(MAX_EARLY_CONSENTS + 10):
        people.answer(i, True)
    assert len(people.early) == MAX_EARLY_CONSENTS

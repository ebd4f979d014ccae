from __future__ import annotations

import numpy as np
import pytest

from loadtest.scenario import Joining, load, parse
from loadtest.schedule import (
    PROBE_SPANS,
    PROBE_SPEAKS,
    SLOTS,
    Act,
    acts,
    disturbed_until_s,
    due_s,
    joins,
    probe_round,
    probes,
    slot_of,
)


def test_the_same_seed_is_the_same_evening() -> None:
    one, two, other = (acts(load("interval", seed=s)) for s in (5, 5, 6))
    assert one.at_s.tolist() == two.at_s.tolist()
    assert one.phone.tolist() == two.phone.tolist()
    assert one.at_s.tolist() != other.at_s.tolist()


def test_shares_of_processes_are_the_whole() -> None:
    whole = acts(load("access-point", phones=100))
    halves = [whole.of(0, 50), whole.of(50, 100)]
    assert sum(len(h.at_s) for h in halves) == len(whole.at_s)
    assert halves[1].phone.min() == 0


@pytest.mark.parametrize("rush", [0.0, 0.5, 1.0])
def test_joins_fill_their_time_and_rush_at_the_end(rush: float) -> None:
    made = joins(10_000, Joining(100.0, rush), 1)
    assert 0 <= made.min() < made.max() <= 100.0
    last_tenth = (made > 90.0).mean()
    # density 1 - rush + 2 * rush * x: its integral from 0.9 to 1
    assert last_tenth == pytest.approx(0.1 * (1 - rush) + rush * (1 - 0.81), abs=0.01)


def test_cut_phones_return_together() -> None:
    made = acts(load("access-point", phones=1000))
    gone, back = made.act == Act.CUT, made.act == Act.RETURN
    assert gone.sum() == back.sum() == 200
    assert set(made.at_s[back]) == {50.0}
    assert set(made.phone[gone]) == set(made.phone[back])


def test_dead_phones_never_return_and_die_once() -> None:
    text = 'phones = 1000\n[[disruption]]\nkind = "die"\nshare = 0.4\n[[disruption]]\nkind = "cut"\nshare = 1.0'
    made = acts(parse(text, "x"))
    dead = set(made.phone[made.act == Act.DIE])
    assert len(dead) == 400
    assert not dead & set(made.phone[made.act == Act.CUT])


def test_slots_are_even_for_any_share_of_the_phones() -> None:
    for first, last in ((0, 1000), (333, 1333)):
        counts = np.bincount(slot_of(np.arange(first, last)), minlength=SLOTS)
        assert counts.max() - counts.min() <= 1


def test_due_times_are_absolute() -> None:
    assert due_s(0, 0, 0.25) == pytest.approx(0.25)
    assert due_s(3, 5, 0.25) == pytest.approx(1.0 + 0.05)


def test_probes_are_silent_longer_than_a_house_waits() -> None:
    """1.5 s of silence is held (ARCHITECTURE, contract 11); probes must pass it at 4 packets a second."""
    assert (PROBE_SPANS - PROBE_SPEAKS) * 0.25 > 1.5 + 0.5
    speaks = [int(probe_round(span, np.array([7]))[0]) < PROBE_SPEAKS for span in range(PROBE_SPANS)]
    assert sum(speaks) == PROBE_SPEAKS
    assert len(probes(load("steady", phones=100))) == 10
    assert len(probes(load("steady", phones=5))) == 0


def test_recovery_counts_from_the_disruptions_end() -> None:
    assert disturbed_until_s(load("access-point")) == [(40.0, 50.0)]
    assert disturbed_until_s(load("phones-dying")) == []
    assert disturbed_until_s(load("restart")) == [(50.0, 50.0)]


def test_a_search_has_a_tenth_of_probes_at_every_step() -> None:
    found = probes(load("limit"))
    assert len(found) == 100
    assert (found < 400).sum() == pytest.approx(40, abs=2)
    assert found.max() < 1000

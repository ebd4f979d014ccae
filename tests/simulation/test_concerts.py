"""Concerts that must hold, and planted faults that must be seen.

A seed that fails is in the message: ``python -m tests.simulation --seed N --verbose`` plays it again.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from aggregator import service
from aggregator.erasure import Traces
from aggregator.failover import Failovers
from aggregator.intake import Intake
from aggregator.leadership import Leased
from relay.outbox import Item, Outbox
from relay.server_core import RelayCore
from tests.simulation.concert import Concert
from tests.simulation.faults import Fault
from tests.simulation.invariants import nothing_of_the_erased_is_on_a_disk, outcome, violations

FIXED = (13, 17, 107)  # each showed a fault of the product once
FRESH = int.from_bytes(os.urandom(4), "little")


@pytest.mark.parametrize("seed", [pytest.param(s, id=str(s)) for s in FIXED] + [pytest.param(FRESH, id="fresh")])
def test_the_rules_hold(seed: int) -> None:
    found = violations(Concert(seed).play())
    assert not found, f"seed {seed}: {found}"


def test_a_seed_plays_the_same_again() -> None:
    assert digest(Concert(4, length_s=12.0).play()) == digest(Concert(4, length_s=12.0).play())


def digest(concert: Concert) -> str:
    """All that was written and sent, and when."""
    made = hashlib.blake2b()
    for log in concert.server.log:
        for entry in log:
            made.update(repr(entry.stamp).encode() + entry.payload)
    for sent in concert.sent:
        made.update(f"{sent.at_s} {sent.holder} {sent.snapshot.k}".encode() + sent.snapshot.arousal.tobytes())
    return made.hexdigest()


def broken(schedule: list[Fault], length_s: float = 12.0) -> str:
    """The violations of a short concert with this schedule, as one text."""
    return "\n".join(violations(Concert(5, schedule, length_s=length_s).play()))


def test_acknowledging_before_acceptance_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def forget(self: RelayCore, stream: int, box: Outbox, why: str) -> None:  # noqa: ARG001
        self._accepted(box.accepted())

    monkeypatch.setattr(RelayCore, "_refused", forget)
    assert "acknowledged is processed" in broken([Fault(8.0, "bus-away", seconds=1.5)])


def test_a_lost_ledger_of_duplicates_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    real: Callable[..., Any] = Intake._order

    def forget(self: Intake, opened: Any) -> Any:
        rows = np.unique(opened.row[opened.row >= 0])
        for row in rows.tolist():
            first = opened.sequence[opened.row == row].min()
            self.state.head[row] = min(int(self.state.head[row]), int(first))
        return real(self, opened)

    monkeypatch.setattr(Intake, "_order", forget)
    assert "nothing is processed twice" in broken([Fault(8.0, "relay-link", 0, 1.5, "deaf")])


def test_going_on_from_the_old_position_after_a_failover_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    schedule = [Fault(8.0, "bus-failover", seconds=1.0, detail="4")]
    assert not broken(schedule)
    monkeypatch.setattr(Failovers, "happened", lambda self: False)  # noqa: ARG005
    assert "acknowledged is processed" in broken(schedule)


def test_what_is_left_of_the_erased_on_disks_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    schedule = [Fault(14.0, "lead-kill", 0, 3.0), Fault(15.5, "erase", 2), Fault(17.0, "erase", 3)]
    monkeypatch.setattr(Traces, "sweep", lambda self, own: None)  # noqa: ARG005
    monkeypatch.setattr(Traces, "due", lambda self, cut_ms: False)  # noqa: ARG005
    played = Concert(5, schedule, length_s=45.0).play()
    found = "\n".join(nothing_of_the_erased_is_on_a_disk(outcome(played)))
    assert "has a row of the erased seat" in found
    assert "is on the bus's disk" in found


def test_trimming_what_a_follower_has_not_read_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    schedule = [Fault(9.0, "spare-pause", 0, 12.0)]
    assert "trimmed" not in broken(schedule, 40.0)
    monkeypatch.setattr(service, "FOLLOWERS_MS", 0)
    assert "nothing unread is trimmed" in broken(schedule, 40.0)


def test_sending_without_a_look_at_the_lease_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Leased, "leads", lambda self: self.lease.changes > 0)
    assert "one lead at a time" in broken([Fault(8.0, "lead-link", 0, 3.0, "mute")])


def test_items_put_back_in_the_wrong_order_hold_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine puts packets in order by itself: no violation, which tells the planted faults from noise."""

    def failed(self: Outbox) -> None:
        flying: list[Item] = [i for i in self._flying if i[4] is None]
        self._waiting.extendleft(reversed([i for i in self._flying if i[4] is not None]))
        self._waiting.extend(flying)
        self._resend, self._flying = bool(self._flying), []

    monkeypatch.setattr(Outbox, "failed", failed)
    assert "processed" not in broken([Fault(8.0, "relay-link", 0, 0.7, "refused")])

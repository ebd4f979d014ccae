"""The cheap phones' bookkeeping of what was sent and acknowledged. No sockets."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from loadtest.bank import Bank
from loadtest.clocks import PhoneClocks
from loadtest.phones import Phones
from loadtest.scenario import Scenario
from loadtest.standing import Target

SPAN_S = 0.25
SENT = 100


@pytest.fixture
def phones() -> Iterator[Phones]:
    """Two phones that have sent spans 0..99 on the bus named "old"; a ring holds 60 spans (15 s)."""
    scenario = Scenario(phones=2, seconds=10.0, bank=2)
    made = Phones(
        Bank(scenario, keep=80), PhoneClocks(scenario), Target("127.0.0.1", 1, "/"), ["a", "b"], first=0, seed=1,
        span_s=SPAN_S, start_s=0.0, probes=np.empty(0, np.int64),
    )  # fmt: skip
    made.sent[:] = made.highest[:] = SENT
    made._bus_is(0, "old")
    made._bus_is(1, "old")
    yield made
    made._poll.close()


def test_an_acknowledgement_counts(phones: Phones) -> None:
    phones._heard[0] = (SENT - 1, 0.0)
    phones.settle_acks()
    assert phones.lowest.tolist() == [SENT - 1, 0]
    assert phones.counts.acknowledged == SENT - 1


@pytest.mark.parametrize("order", ["heard before the change", "heard after it"])
def test_what_a_lost_bus_acknowledged_does_not_end_the_ring(phones: Phones, order: str) -> None:
    """PROTOCOL, the ring: until it was sent again, an acknowledgement counts only as far as that."""
    phones.lowest[:] = SENT
    if order == "heard before the change":
        phones._heard[0] = (SENT, 0.0)
    phones._bus_is(0, "new")
    if order == "heard after it":
        phones._heard[0] = (SENT, 0.0)
    phones.settle_acks()
    assert phones.sent.tolist() == phones.lowest.tolist() == [SENT - phones.ring, SENT]
    phones.sent[0] = SENT  # sent again
    phones._heard[0] = (SENT, 1.0)
    phones.settle_acks()
    assert phones.lowest[0] == SENT

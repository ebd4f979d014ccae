"""The cheap phones' bookkeeping of what was sent and acknowledged. No sockets."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from loadtest.bank import Bank
from loadtest.clocks import PhoneClocks
from loadtest.packets import MASKED_HEADER_BYTES, SHORT_HEADER_BYTES
from loadtest.phones import Phones
from loadtest.scenario import Scenario
from loadtest.schedule import PROBE_SPANS, PROBE_SPEAKS, SLOTS, probe_round
from loadtest.standing import STREAMING, Target
from relay.wire import decode

SPAN_S = 0.25
SENT = 100
HEADS = (SHORT_HEADER_BYTES, MASKED_HEADER_BYTES)


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


class Wire:
    """Two phones that stream from span 0, the second a probe; ``sent`` gathers (span, packet number) of each."""

    def __init__(self) -> None:
        scenario = Scenario(phones=2, seconds=10.0, bank=2)
        self.phones = Phones(
            Bank(scenario, keep=80), PhoneClocks(scenario), Target("127.0.0.1", 1, "/"), ["a", "b"], first=0, seed=1,
            span_s=SPAN_S, start_s=0.0, probes=np.array([1]),
        )  # fmt: skip
        self.sent: tuple[list[tuple[int, int]], ...] = ([], [])
        self.woken: list[tuple[int, float]] = []
        self.span = 0
        self.phones.measures[:], self.phones.state[:] = True, STREAMING
        self.phones._sends = [self._send_of(0), self._send_of(1)]

    def _send_of(self, i: int) -> Callable[[bytes], int]:
        def send(raw: bytes) -> int:
            self.sent[i].append((self.span, decode(raw[HEADS[raw[1] & 0x7F == 126] :]).sequence))
            return len(raw)

        return send

    def run(self, spans: range) -> None:
        for self.span in spans:
            for slot in range(SLOTS):
                self.phones.send_slot(slot, self.span, self.woken)


@pytest.fixture
def wire() -> Iterator[Wire]:
    made = Wire()
    yield made
    made.phones._poll.close()


def test_a_phone_sends_each_span_once_and_a_probe_only_while_it_speaks(wire: Wire) -> None:
    wire.run(range(3 * PROBE_SPANS))
    assert wire.sent[0] == [(span, span) for span in range(3 * PROBE_SPANS)]
    spoken = [span for span in range(3 * PROBE_SPANS) if probe_round(span, np.array([1]))[0] < PROBE_SPEAKS]
    assert wire.sent[1] == [(span, number) for number, span in enumerate(spoken)]  # numbers go on without a hole
    begins = [span for span in spoken if probe_round(span, np.array([1]))[0] == 0]
    slot = wire.phones.slot[1]
    assert [phone for phone, _ in wire.woken] == [1] * len(begins)
    np.testing.assert_allclose([at_s for _, at_s in wire.woken], [(b + 1 + slot / SLOTS) * SPAN_S for b in begins])
    assert wire.phones.counts.resent == 0


def test_a_phone_set_back_sends_again_and_a_quiet_one_waits(wire: Wire) -> None:
    wire.run(range(10))
    wire.phones.sent[0] = 7  # as a relay does that could not queue number 7
    wire.phones.quiet_until_s[0] = wire.phones._quiet_s = (12 + 0.5) * SPAN_S
    wire.run(range(10, 14))
    assert [pair for pair in wire.sent[0] if pair[0] >= 10] == [(12, 7), (12, 8), (12, 9), (12, 10)] + [
        (13, number) for number in (11, 12, 13)
    ]
    assert wire.phones.counts.resent == 3
    assert wire.phones.highest[0] == 14


def test_what_is_too_old_is_skipped_by_the_second(wire: Wire, monkeypatch: pytest.MonkeyPatch) -> None:
    """PROTOCOL, skipping: a phone that hears nothing for long says once a second what it has discarded."""
    said: list[tuple[int, int]] = []
    monkeypatch.setattr(wire.phones, "_write", lambda i, _: said.append((wire.span, i)))
    wire.run(range(20))
    wire.phones.sent[0] = 0  # from now on it is behind, and nothing is ever acknowledged
    monkeypatch.setattr("loadtest.phones.CATCH_UP", 0)
    wire.run(range(20, 120))
    mine = [span for span, i in said if i == 0]
    kept = wire.phones.ring + wire.phones.slack
    assert mine == list(range(kept, 120, wire.phones.slack + 1))
    assert wire.phones.counts.skipped == mine[-1] + 1 - wire.phones.ring
    assert wire.phones.lowest[0] == mine[-1] + 1 - wire.phones.ring


@pytest.mark.parametrize(("told_s", "least_s", "most_s"), [(30.0, 30.0, 30.0), (None, 0.25, 5.0)])
def test_a_phone_that_is_sent_away_comes_back_when_it_was_told_to(
    phones: Phones, told_s: float | None, least_s: float, most_s: float
) -> None:
    """PROTOCOL, `later` without `from`; who was told nothing chooses a pause."""
    now_s = 100.0
    phones.state[0] = STREAMING
    if told_s is not None:
        phones._text(0, {"type": "later", "retry_s": told_s}, now_s)
    phones._lost(0, "close 1013", now_s)
    ((at_s, phone),) = phones._retries
    assert phone == 0
    assert least_s <= at_s - now_s <= most_s

"""A bank of simulated listeners that many phones share: packets of a whole slot in a few numpy calls. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from loadtest.packets import Bytes, blocks_of, build, framed, part, stamped
from loadtest.physiology import Audience
from loadtest.scenario import Scenario
from relay.entries import Channel

MADE_TOGETHER_S = 1.0  # signals of four spans cost little more than those of one: the price is a numpy call's

Blocks = list[tuple[int, int, NDArray[np.int16]]]


class Bank:
    """Signals of ``scenario.bank`` listeners; phone p wears listener p modulo the bank's size.

    ``keep`` spans stay in memory (about 200 bytes a listener each), so that a returning phone's backlog is made again
    instead of being kept for every phone.
    """

    def __init__(self, scenario: Scenario, keep: int) -> None:
        self.audience = Audience(
            min(scenario.bank, scenario.phones),
            scenario.seed,
            scenario.programme(),
            traits=scenario.people(),
            motion=scenario.motion,
        )
        self.span_s = 1.0 / scenario.packets_a_second
        self.keep = keep
        self._together = max(1, round(MADE_TOGETHER_S / self.span_s))
        self._spans: dict[int, Blocks] = {}
        self._messages: dict[int, Bytes] = {}

    @property
    def channels(self) -> Sequence[Channel]:
        return self.audience.channels

    def __len__(self) -> int:
        return len(self.audience)

    def prepare(self, span: int) -> Blocks:
        """The bank's blocks of one span; made once, with its neighbours, kept while recent."""
        if span not in self._spans:
            first = span - span % self._together
            spans = range(first, first + self._together)
            whole = self.audience.signals(first * self.span_s, (first + self._together) * self.span_s)
            for each in spans:
                t0_s = each * self.span_s
                self._spans[each] = blocks_of(part(whole, t0_s, t0_s + self.span_s), t0_s)
            for old in sorted(self._spans.keys() - set(spans))[: max(0, len(self._spans) - self.keep)]:
                self._spans.pop(old)
                self._messages.pop(old, None)
        return self._spans[span]

    def frames(
        self, span: int, wears: NDArray[np.int64], sequence: NDArray[np.int64], time_us: NDArray[np.int64]
    ) -> Bytes:
        """One websocket message a row: packet ``span`` of phones that wear these listeners, shape (phones, bytes)."""
        worn = self._messages.get(span)
        if worn is None:
            worn = framed(build(0, np.zeros(len(self), np.int64), self.prepare(span)))
            self._messages[span] = worn
        made = worn[wears]
        fields = stamped(made)
        fields["sequence"], fields["time_us"] = sequence, time_us
        return made

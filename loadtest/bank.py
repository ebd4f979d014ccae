"""A bank of simulated listeners that many phones share: packets of a whole slot in a few numpy calls. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from loadtest.packets import Bytes, blocks_of, build, framed
from loadtest.physiology import Audience
from loadtest.scenario import Scenario
from relay.entries import Channel

Blocks = list[tuple[int, int, NDArray[np.int16]]]


class Bank:
    """Signals of ``scenario.bank`` listeners; phone p wears listener p modulo the bank's size.

    ``keep`` spans stay in memory (about 50 bytes a listener each), so that a returning phone's backlog is made again
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
        self._spans: dict[int, Blocks] = {}

    @property
    def channels(self) -> Sequence[Channel]:
        return self.audience.channels

    def __len__(self) -> int:
        return len(self.audience)

    def prepare(self, span: int) -> Blocks:
        """The bank's blocks of one span; made once, kept while recent."""
        found = self._spans.get(span)
        if found is None:
            t0_s = span * self.span_s
            found = self._spans[span] = blocks_of(self.audience.signals(t0_s, t0_s + self.span_s), t0_s)
            if len(self._spans) > self.keep:
                self._spans.pop(min(self._spans))
        return found

    def frames(
        self, span: int, wears: NDArray[np.int64], sequence: NDArray[np.int64], time_us: NDArray[np.int64]
    ) -> Bytes:
        """One websocket message a row: packet ``span`` of phones that wear these listeners, shape (phones, bytes)."""
        blocks = [(channel, offset_us, samples[wears]) for channel, offset_us, samples in self.prepare(span)]
        return framed(build(sequence, time_us, blocks))

"""What thousands of simulated phones do: join and go by the schedule, send packets, count what comes back. Shell."""

from __future__ import annotations

import heapq
from typing import Any

import numpy as np

from loadtest import messages, wire_client
from loadtest.connections import Connections, Ints
from loadtest.schedule import PROBE_SPEAKS, SLOTS, Act, due_s, probe_round
from loadtest.standing import OFF, STREAMING

CATCH_UP = 4  # packets a turn that a phone with a backlog sends: the pace that the relay's welcome asks for
TOGETHER_PAUSE_S = 0.05  # a phone told to return does so at once, within this


class Phones(Connections):
    """Phones on their schedule; see :class:`Connections` for the arguments."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        order, probe = np.argsort(self.slot, kind="stable"), self.is_probe
        each = np.split(order, np.searchsorted(self.slot[order], np.arange(1, SLOTS)))
        self._others = [mine[~probe[mine]] for mine in each]
        self._probes = [mine[probe[mine]] for mine in each]

    # -- what the schedule asks for ----------------------------------------------------------------------------

    def act(self, i: int, act: int, now_s: float, at_s: float) -> None:
        """Carry out one moment of the schedule, due at ``at_s`` (monotonic)."""
        if act in (Act.JOIN, Act.RETURN):
            self.wanted[i] = True
            if not self.measures[i]:
                self._begin(i, now_s)
            if self.state[i] == OFF:
                self.intended_s[i] = at_s
                late = self._dice.uniform(0.0, TOGETHER_PAUSE_S) if act == Act.RETURN else 0.0
                heapq.heappush(self._retries, (at_s + late, i))
            return
        self.wanted[i] = False
        if act in (Act.SLEEP, Act.DIE):
            self.measures[i] = False
        self._drop(i)

    def _begin(self, i: int, now_s: float) -> None:
        """A phone starts measuring: a new stream that begins with the span under way."""
        span = max(0, int((now_s - self.start_s) / self.span_s))
        self.measures[i] = True
        self._streams[i] = self._dice.getrandbits(63) | 1
        self.shift[i] = self.sent[i] = self.lowest[i] = self.highest[i] = span
        self._bus.pop(i, None)

    def send_slot(self, slot: int, span: int, woken: list[tuple[int, float]]) -> int:
        """Every phone of the slot sends packet ``span`` and what it still owes; probes that woke are appended."""
        mine, probes = self._others[slot], self._probes[slot]
        due = self.start_s + (span + 1.0 + slot / SLOTS) * self.span_s  # as schedule.due_s, without arrays
        if len(probes):
            mine = np.concatenate((mine, self._probe_round(probes, span, due, woken)))
        ready = mine[self.state[mine] == STREAMING]  # who streams measures
        if self._quiet_s > due:
            ready = ready[self.quiet_until_s[ready] <= due]
        in_step = self.sent[ready] == span
        if in_step.all():
            return self._send(ready, span)
        count, behind = self._send(ready[in_step], span), ready[~in_step]
        self.settle_acks()
        self._discard(behind, span)
        return count + self._catch_up(behind, span)

    def _probe_round(self, probes: Ints, span: int, due: float, woken: list[tuple[int, float]]) -> Ints:
        """Probes are silent for part of their round: their spans pass unnumbered. Returns those that speak."""
        probes = probes[self.measures[probes]]
        round_at = probe_round(span, self.numbers[probes])
        silent = probes[(round_at >= PROBE_SPEAKS) & (self.sent[probes] <= span)]
        first = probes[(round_at == 0) & (self.state[probes] == STREAMING)]
        self.shift[silent] += span + 1 - self.sent[silent]  # numbers on the wire go on without a hole
        self.sent[silent] = self.lowest[silent] = self.highest[silent] = span + 1
        woken.extend((int(self.numbers[i]), due) for i in first.tolist())
        return probes[round_at < PROBE_SPEAKS]

    def _discard(self, who: Ints, span: int) -> None:
        """Phones keep 15 s: what is older is told as skipped, by the second: one a packet, thousands of phones that
        were behind kept a full house full."""
        edge = span + 1 - self.ring
        for i in who[self.lowest[who] + self.slack < edge].tolist():
            first, last = int(self.lowest[i] - self.shift[i]), int(edge - 1 - self.shift[i])
            self._write(i, wire_client.message(wire_client.TEXT, messages.skip(first, last).encode()))
            self.counts.skipped += last - first + 1
            self.lowest[i] = edge
            self.sent[i] = max(self.sent[i], edge)

    def _catch_up(self, who: Ints, span: int) -> int:
        count = 0
        for _ in range(CATCH_UP):
            who = who[(self.sent[who] <= span) & (self.state[who] == STREAMING)]
            for at in np.unique(self.sent[who]).tolist():
                count += self._send(who[self.sent[who] == at], at, late=True)
        return count

    def _send(self, who: Ints, span: int, *, late: bool = False) -> int:
        """Packet ``span`` of these phones onto their sockets; ``late``: some may have sent it before."""
        if not len(who):
            return 0
        time_us = self.clocks.at(self.numbers[who], span * self.span_s)
        frames = self.bank.frames(span, self.wears[who], span - self.shift[who], time_us)
        size = frames.shape[1]
        sends = self._sends
        for i, raw in zip(who.tolist(), frames.view(f"V{size}").ravel().tolist(), strict=True):
            try:
                if (done := sends[i](raw)) != size:  # a closed one is None: caught below
                    self._stuck(i, raw[done:])
            except BlockingIOError:
                self._stuck(i, raw)
            except (OSError, TypeError):
                self._drop_broken(i, "send")
        if late:
            self.counts.resent += int(np.count_nonzero(self.highest[who] > span))
        self.sent[who] = span + 1
        self.highest[who] = np.maximum(self.highest[who], span + 1) if late else span + 1
        self.counts.packets += len(who)
        self.counts.bytes += size * len(who)
        return len(who)

    def settle_acks(self) -> None:
        """Fold in the acknowledgements heard since the last call, in a few numpy calls.

        They count only as far as a phone has sent (again): after a change of the bus the relay may still speak of what
        was lost (PROTOCOL, the ring).
        """
        if not self._heard:
            return
        who = np.fromiter(self._heard, np.int64, len(self._heard))
        heard = np.array(list(self._heard.values()))
        self._heard.clear()
        upto = np.minimum(heard[:, 0].astype(np.int64) + self.shift[who], self.sent[who])
        fresh = np.maximum(upto - self.lowest[who], 0)
        owner = np.repeat(np.arange(len(who)), fresh)
        nth = np.arange(len(owner)) - np.repeat(np.cumsum(fresh) - fresh, fresh)
        due = self.start_s + due_s(self.lowest[who][owner] + nth, self.slot[who][owner], self.span_s)
        self.acks.record((heard[owner, 1] - due)[~self.is_probe[who][owner]])
        self.counts.acknowledged += int(fresh.sum())
        self.lowest[who] = np.maximum(self.lowest[who], upto)

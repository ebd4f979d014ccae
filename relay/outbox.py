"""One shard's packets and control entries on their way to the bus, in strict order. Pure.

What was taken stays *in flight* until the bus has accepted or refused it. After a refusal the same items come first
again, with their ages computed anew, before anything newer (contract 6). Bounded in count and bytes: at the bound
:meth:`Outbox.put` refuses, so nothing is acknowledged, and the counter says so.
"""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import dataclass, replace
from typing import Protocol

from relay.entries import ENTRY_VERSION, MAX_AGE_MS, PACKETS, Consent, Control, Erase, Skip, encode_control

ITEM_OVERHEAD_BYTES = 200  # a queued packet's Python objects beside its payload, measured with sys.getsizeof
CONTROL_BYTES = 400  # a control entry's share of the bound: a join with 3 channels takes about this
MAX_BATCH_PACKETS = 4096  # 4,096 packets of 90 bytes: 0.4 MB in one entry, 2 ms to write
MAX_BATCH_BYTES = 1 << 20  # one entry never holds up its stream for more than a few milliseconds
_BATCH_HEAD = bytes((PACKETS, ENTRY_VERSION, 0, 0))
_RECORD = struct.Struct("<QQHH").pack  # relay.entries.RECORD_DTYPE


class Sender(Protocol):
    """Whose packets they are; also told what became of them (relay.session.Session)."""

    listener: int
    stream: int


Item = tuple[Sender | None, int, bytes, float, Control | None]
"""Owner, sequence number, packet, arrival in ms, and None; or owner, -1, nothing, time, and a control entry. A bare
tuple: a named one costs a third more a packet."""
Skips = dict[tuple[int, int, int], Skip]
"""Skips by listener, stream and the number that would go on from them."""


@dataclass(slots=True)
class OutboxStatistics:
    """``items`` and ``bytes`` now waiting or in flight, their bounds, and what was refused, written and resent."""

    items: int = 0
    bytes: int = 0
    bound_items: int = 0
    bound_bytes: int = 0
    refused: int = 0
    written: int = 0
    resent: int = 0


class Outbox:
    """One shard's queue. ``put`` at one end, ``take`` at the other, then exactly one of ``accepted`` and ``failed``."""

    __slots__ = (
        "_flying",
        "_flying_bytes",
        "_forgotten",
        "_resend",
        "_waiting",
        "bound_bytes",
        "bound_items",
        "bytes",
        "refused",
        "resent",
        "written",
    )

    def __init__(self, bound_items: int = 100_000, bound_bytes: int = 32 << 20) -> None:
        self.bound_items, self.bound_bytes = bound_items, bound_bytes
        self._waiting: deque[Item] = deque()
        self._flying: list[Item] = []
        self._flying_bytes = 0
        self._forgotten: set[int] = set()  # whose packets are in flight and must not come again
        self._resend = False
        self.bytes = 0
        self.refused = self.written = self.resent = 0

    def __len__(self) -> int:
        return len(self._waiting) + len(self._flying)

    @property
    def waiting(self) -> bool:
        """True when ``take`` would give something and nothing is in flight."""
        return bool(self._waiting) and not self._flying

    def put(self, owner: Sender, sequence: int, raw: bytes, arrival_ms: float) -> bool:
        """Queue a packet; False (and counted) at the bound: it must not be acknowledged."""
        size = len(raw) + ITEM_OVERHEAD_BYTES
        if self.bytes + size > self.bound_bytes or len(self._waiting) >= self.bound_items:
            self.refused += 1
            return False
        self.bytes += size
        self._waiting.append((owner, sequence, raw, arrival_ms, None))
        return True

    def put_event(self, owner: Sender | None, event: Control, now_ms: float) -> bool:
        """Queue a control entry behind everything already queued; may use the last tenth that packets cannot.

        Withdrawals and erasures always have room: a listener is owed them, and there is at most one a connection (a
        yes in between needs room again).
        """
        full = self.bytes + CONTROL_BYTES > 1.1 * self.bound_bytes or len(self._waiting) >= 1.1 * self.bound_items
        owed = isinstance(event, Erase) or (isinstance(event, Consent) and not event.answer)
        if full and not owed:
            self.refused += 1
            return False
        self.bytes += CONTROL_BYTES
        self._waiting.append((owner, -1, b"", now_ms, event))
        return True

    def take(self, now_ms: float) -> list[bytes]:
        """Payloads for the next append, oldest first, at most one batch's bound; empty while something is in flight.

        Runs of packets become one packet batch each, a control entry is a payload of its own (skips of one phone that
        follow each other are one, behind the packets between them); ages are ``now_ms``
        minus the arrival.
        """
        if self._flying or not self._waiting:
            return []
        if self.bytes <= MAX_BATCH_BYTES and len(self._waiting) <= MAX_BATCH_PACKETS:  # the usual case, without a loop
            self._flying = list(self._waiting)
            self._waiting.clear()
            self._flying_bytes = self.bytes
        else:
            self._take_some()
        if self._resend:
            self.resent += len(self._flying)
            self._resend = False
        return _payloads(self._flying, now_ms)

    def _take_some(self) -> None:
        size, flying = 0, self._flying
        while self._waiting and len(flying) < MAX_BATCH_PACKETS and size < MAX_BATCH_BYTES:
            item = self._waiting.popleft()
            size += len(item[2])
            flying.append(item)
        self._flying_bytes = sum(
            CONTROL_BYTES if event is not None else len(raw) + ITEM_OVERHEAD_BYTES for _, _, raw, _, event in flying
        )

    def accepted(self) -> list[Item]:
        """The bus holds what was taken last; returns those items so that their owners can be told."""
        done, self._flying = self._flying, []
        self._forgotten.clear()
        self.bytes -= self._flying_bytes
        self._flying_bytes = 0
        self.written += len(done)
        return done

    def failed(self) -> None:
        """The bus may not hold what was taken last; it comes first again at the next ``take``."""
        self._waiting.extendleft(reversed(self._flying))
        self._resend = bool(self._flying)
        self._flying, self._flying_bytes = [], 0
        for listener in self._forgotten:
            self.forget(listener)
        self._forgotten.clear()

    def forget(self, listener: int) -> int:
        """Drop the packets of a listener who was erased elsewhere: nothing of them is written any more, however long
        the bus is away. What is in flight is dropped should it be refused. Control entries stay. Returns how many."""
        if self._flying:
            self._forgotten.add(listener)
        kept = deque(i for i in self._waiting if i[4] is not None or i[0] is None or i[0].listener != listener)
        gone = len(self._waiting) - len(kept)
        if gone:
            self.bytes -= sum(len(i[2]) + ITEM_OVERHEAD_BYTES for i in self._waiting if i[4] is None)
            self.bytes += sum(len(i[2]) + ITEM_OVERHEAD_BYTES for i in kept if i[4] is None)
            self._waiting = kept
        return gone

    def statistics(self) -> OutboxStatistics:
        """Fill, bounds and counters."""
        return OutboxStatistics(
            len(self), self.bytes, self.bound_items, self.bound_bytes, self.refused, self.written, self.resent
        )


def _payloads(items: list[Item], now_ms: float) -> list[bytes]:
    """Skips do not break a run of packets, they follow it: phones that are behind send one every few packets, and a run
    an entry made most of what is read again after a failover. For who waits for the skipped numbers it is the same."""
    made: list[bytes] = []
    skips: Skips = {}
    run: list[Item] | None = None  # None: all items are packets so far
    for place, item in enumerate(items):
        event = item[4]
        if event is None:
            if run is not None:
                run.append(item)
            continue
        run = items[:place] if run is None else run
        if isinstance(event, Skip):
            _add(skips, event)
            continue
        made += [*_run(run, skips, now_ms), encode_control(event)]
        run, skips = [], {}
    return made + _run(items if run is None else run, skips, now_ms)


def _add(skips: Skips, event: Skip) -> None:
    """One range for what a phone skipped in two steps."""
    older = skips.pop((event.listener, event.stream, event.first), None)
    event = event if older is None else replace(older, last=event.last)
    skips[event.listener, event.stream, event.last + 1] = event


def _run(packets: list[Item], skips: Skips, now_ms: float) -> list[bytes]:
    return ([_batch(packets, now_ms)] if packets else []) + [encode_control(skip) for skip in skips.values()]


def _batch(items: list[Item], now_ms: float) -> bytes:
    """As relay.entries.encode_packets writes it. The few packets of one shard and turn cost a tenth so, without numpy;
    from 200 on it is the same."""
    heads, bodies = [_BATCH_HEAD, len(items).to_bytes(4, "little")], []
    for owner, _, raw, arrival_ms, _ in items:
        age_ms = round(now_ms - arrival_ms)
        age_ms = 0 if age_ms < 0 else min(age_ms, MAX_AGE_MS)
        heads.append(_RECORD(owner.listener, owner.stream, age_ms, len(raw)))  # type: ignore[union-attr]
        bodies.append(raw)
    return b"".join(heads + bodies)

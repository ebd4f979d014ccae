"""What a phone must remember to deliver every packet once, or say which it discarded (contract 6). Pure.

Packets are numbered by time: packet n covers the n-th span of the evening. The ring of packets itself is kept by
whoever can make them again; here are only numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

SLACK_S = 1.0  # and so much more before it discards: one skip a second
RING_S = 15.0  # what a phone keeps when it cannot send, and keeps of acknowledged ones for a bus that lost them


@dataclass(slots=True)
class Delivery:
    """Numbers of one stream. ``made``: packets up to here exist (exclusive); ``sent``: sent on this connection;
    ``lowest``: the lowest not acknowledged; ``base``: the lowest number the phone still has."""

    lowest: int = 0
    made: int = 0
    sent: int = 0
    skipped: int = 0
    resent: int = 0
    highest_sent: int = 0

    def make(self, upto: int) -> None:
        """Packets below ``upto`` now exist."""
        self.made = max(self.made, upto)

    def connected(self) -> None:
        """A connection was welcomed: whatever is not acknowledged goes out again."""
        self.sent = self.lowest

    def back(self, number: int) -> None:
        """The relay could not queue ``number``: go on from there."""
        self.sent = max(self.lowest, min(self.sent, number))

    def acknowledge(self, to: int) -> None:
        """Everything below ``to`` was accepted. After a :meth:`rewind` it counts only as far as was sent again: the
        relay may still speak of what the bus has lost since."""
        self.lowest = max(self.lowest, min(to, self.sent))
        self.sent = max(self.sent, self.lowest)

    def rewind(self, kept: int) -> None:
        """The bus may have lost accepted packets: send the last ``kept`` made again."""
        self.sent = min(self.sent, max(0, self.made - kept))
        self.lowest = min(self.lowest, self.sent)

    def discard(self, kept: int, slack: int = 0) -> tuple[int, int] | None:
        """Forget all but the last ``kept`` packets once there are over ``slack`` more; the (first, last) that must be
        told as skipped, or None."""
        edge = self.made - kept
        if edge - slack <= self.lowest:
            return None
        gone = (self.lowest, edge - 1)
        self.skipped += edge - self.lowest
        self.lowest = edge
        self.sent = max(self.sent, edge)
        return gone

    def due(self, limit: int) -> range:
        """The next numbers to send, at most ``limit``; they count as sent."""
        first = self.sent
        last = min(self.made, first + limit)
        if last <= first:
            return range(first, first)
        self.resent += max(0, min(last, self.highest_sent) - first)
        self.highest_sent = max(self.highest_sent, last)
        self.sent = last
        return range(first, last)

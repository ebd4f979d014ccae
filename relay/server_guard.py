"""What one peer may cost: a budget of bytes and messages, enforced below the websocket parser."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any


class Budget:
    """A token bucket for bytes and one for messages, refilled by time. ``spent`` True: the peer floods."""

    __slots__ = ("_at_s", "_byte_burst", "_byte_rate", "_message_burst", "_message_rate", "bytes", "messages")

    def __init__(self, byte_rate: float, byte_burst: float, message_rate: float, message_burst: float) -> None:
        self._byte_rate, self._byte_burst = byte_rate, byte_burst
        self._message_rate, self._message_burst = message_rate, message_burst
        self.bytes, self.messages = byte_burst, message_burst
        self._at_s = 0.0

    def read(self, count: int, now_s: float) -> bool:
        """Account for ``count`` bytes read at ``now_s``; False when the byte budget is spent."""
        passed_s, self._at_s = now_s - self._at_s, now_s
        left = self.bytes + passed_s * self._byte_rate  # compared by hand: min() would cost half of this function
        self.bytes = left = (left if left < self._byte_burst else self._byte_burst) - count
        messages = self.messages + passed_s * self._message_rate
        self.messages = messages if messages < self._message_burst else self._message_burst
        return left >= 0.0


class Meter(asyncio.BufferedProtocol):
    """Stands between the transport and the parser: counts bytes before they are parsed.

    ``get_buffer`` is the parser's own, so that reading costs one Python call a wake-up and no copy.
    """

    __slots__ = ("_heard", "_parser", "_updated", "eof_received", "get_buffer", "pause_writing", "resume_writing")

    def __init__(self, parser: Any, heard: Callable[[int, float], bool]) -> None:
        self._parser = parser
        self._heard = heard
        self._updated = parser.buffer_updated
        self.get_buffer = parser.get_buffer  # type: ignore[method-assign]
        self.pause_writing = parser.pause_writing  # type: ignore[method-assign]
        self.resume_writing = parser.resume_writing  # type: ignore[method-assign]
        self.eof_received = parser.eof_received  # type: ignore[method-assign]

    def buffer_updated(self, nbytes: int) -> None:
        """Bytes were read; hand them to the parser unless the peer's budget is spent."""
        if self._heard(nbytes, time.monotonic()):
            self._updated(nbytes)

    def connection_lost(self, exc: Exception | None) -> None:
        """Hand on, and let go of the parser: the two hold each other."""
        self._parser.connection_lost(exc)
        del self._heard, self._updated, self.get_buffer, self.pause_writing, self.resume_writing, self.eof_received

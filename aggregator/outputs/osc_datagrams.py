"""Prebuilt datagrams: every bundle in one buffer of big-endian words, of which a tick rewrites only the numbers. Pure.

Everything in Open Sound Control is aligned to four bytes, so an argument of type ``i`` or ``f`` is one word of the
buffer, and one indexed assignment writes thousands of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from aggregator.outputs.osc_message import (
    BUNDLE_HEADER_BYTES,
    ELEMENT_SIZE_BYTES,
    WORD_BYTES,
    OscError,
    bundle,
    message,
)

TICK_WORDS = 4  # epoch, sequence, seconds, microseconds
INT31 = 0x7FFFFFFF  # epoch and sequence wrap inside the positive int32 (at 44 a second: after 18 months)
UINT32 = 0xFFFFFFFF  # seconds: read as unsigned after January 2038


class Layout:
    """Collects messages into bundles of at most ``max_bytes``, each opening with ``/tick``."""

    def __init__(self, tick_address: str, max_bytes: int) -> None:
        self.tick = message(tick_address, "iiii", 0, 0, 0, 0)
        self.max_bytes = max_bytes
        self._bundles: list[list[bytes]] = []

    def room(self) -> int:
        """Bytes that one message may take in a bundle of its own."""
        return self.max_bytes - BUNDLE_HEADER_BYTES - 2 * ELEMENT_SIZE_BYTES - len(self.tick)

    def add(self, element: bytes, *, fresh: bool = False) -> tuple[int, int]:
        """Put a message into the open bundle, or into a new one if ``fresh`` or full.

        Returns (bundle, offset of the element in it, bytes).

        Raises:
            OscError: the message alone is larger than a datagram may be.
        """
        if len(element) > self.room():
            raise OscError(f"a message of {len(element)} bytes does not fit a datagram of {self.max_bytes} bytes")
        if fresh or not self._bundles or self._size() + ELEMENT_SIZE_BYTES + len(element) > self.max_bytes:
            self._bundles.append([self.tick])
        offset = self._size() + ELEMENT_SIZE_BYTES
        self._bundles[-1].append(element)
        return len(self._bundles) - 1, offset

    def _size(self) -> int:
        return BUNDLE_HEADER_BYTES + sum(ELEMENT_SIZE_BYTES + len(e) for e in self._bundles[-1])

    def build(self) -> Datagrams:
        """The prebuilt datagrams, in the order in which messages were added."""
        return Datagrams([bundle(b) for b in self._bundles], BUNDLE_HEADER_BYTES + ELEMENT_SIZE_BYTES + len(self.tick))


class Datagrams:
    """Prebuilt datagrams over one buffer.

    ``floats``, ``ints`` and ``words`` are big-endian views of the same memory, indexed by word; ``views`` are the
    datagrams, valid until the next write; ``starts`` their first words.
    """

    def __init__(self, built: Sequence[bytes], tick_end_bytes: int) -> None:
        self._data = bytearray(b"".join(built))
        sizes = [len(b) for b in built]
        ends = np.cumsum(sizes, dtype=np.int64)
        self.starts: NDArray[np.int64] = (ends - np.array(sizes, dtype=np.int64)) // WORD_BYTES
        whole = memoryview(self._data)
        self.views = [whole[int(e) - s : int(e)] for e, s in zip(ends, sizes, strict=True)]
        self.words = np.frombuffer(self._data, dtype=">u4")
        self.floats = np.frombuffer(self._data, dtype=">f4")
        self.ints = np.frombuffer(self._data, dtype=">i4")
        first = self.starts + (tick_end_bytes // WORD_BYTES - TICK_WORDS)
        self._tick = first[:, None] + np.arange(TICK_WORDS)

    def __len__(self) -> int:
        return len(self.views)

    def write_tick(self, epoch: int, sequence: int, cut_ms: int) -> None:
        """Write epoch, sequence and the snapshot's time into every datagram."""
        self.words[self._tick] = tick_words(epoch, sequence, cut_ms)

    def chosen(self, which: Iterable[int]) -> list[memoryview]:
        """The datagrams with these numbers."""
        return [self.views[i] for i in which]


def tick_words(epoch: int, sequence: int, cut_ms: int) -> tuple[int, int, int, int]:
    """The four numbers of ``/tick`` as unsigned words."""
    return epoch & INT31, sequence & INT31, (cut_ms // 1000) & UINT32, cut_ms % 1000 * 1000

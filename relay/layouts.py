"""Packet layouts already seen: the relay's header check at the price of a dictionary look-up. Pure.

A phone sends the same layout packet after packet. What :func:`relay.wire.check` says depends only on the length, the
first four bytes, the descriptors and the phone time's top byte; so the answer for the first three is remembered.
Agrees with ``wire.check`` on every input (a property test), and also refuses channels that the hello did not name.
"""

from __future__ import annotations

from relay.wire import DESCRIPTOR_BYTES, HEADER_BYTES, Refusal, WireError, check

MAX_LAYOUTS = 4096  # at most a few a sensor model; cleared when full, so that made-up layouts cost no memory
_TOP_BYTE = 15  # of the phone time, which must be below 2**62
_TOP_LIMIT = 1 << 6


class Layouts:
    """A bounded memory of layouts: key -> (length, highest channel)."""

    __slots__ = ("_known",)

    def __init__(self) -> None:
        self._known: dict[bytes, tuple[int, int]] = {}

    def __len__(self) -> int:
        return len(self._known)

    def check(self, raw: bytes, channels: int) -> int:
        """The packet's sequence number. Raises WireError as ``wire.check`` does, and for a channel >= ``channels``."""
        if len(raw) > HEADER_BYTES:
            key = raw[:4] + raw[HEADER_BYTES : HEADER_BYTES + DESCRIPTOR_BYTES * raw[1]]
            known = self._known.get(key)
            if known is not None and known[0] == len(raw) and raw[_TOP_BYTE] < _TOP_LIMIT:
                if known[1] >= channels:
                    raise WireError(Refusal.FORMAT, f"channel {known[1]}", f"0..{channels - 1}, as the hello names")
                return int.from_bytes(raw[4:8], "little")
        sequence = check(raw)
        highest = max(raw[HEADER_BYTES : HEADER_BYTES + DESCRIPTOR_BYTES * raw[1] : DESCRIPTOR_BYTES])
        if highest >= channels:
            raise WireError(Refusal.FORMAT, f"channel {highest}", f"0..{channels - 1}, as the hello names")
        if len(self._known) >= MAX_LAYOUTS:
            self._known.clear()
        self._known[raw[:4] + raw[HEADER_BYTES : HEADER_BYTES + DESCRIPTOR_BYTES * raw[1]]] = (len(raw), highest)
        return sequence

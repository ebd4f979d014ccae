"""Reading Open Sound Control 1.0 as a show engine would: bundles of messages of ``i f s`` and blobs. Pure."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any


class OscError(ValueError):
    """A datagram that is no Open Sound Control."""


def messages(datagram: bytes) -> Iterator[tuple[str, tuple[Any, ...]]]:
    """The (address, arguments) of a message or of a bundle's messages, nested ones too. Raises OscError."""
    try:
        if datagram[:8] == b"#bundle\0":
            at = 16
            while at + 4 <= len(datagram):
                (size,) = struct.unpack_from(">i", datagram, at)
                yield from messages(datagram[at + 4 : at + 4 + size])
                at += 4 + size
            return
        yield _message(datagram)
    except (struct.error, IndexError, UnicodeDecodeError, RecursionError) as error:
        raise OscError(str(error)) from error


def _message(raw: bytes) -> tuple[str, tuple[Any, ...]]:
    address, at = _string(raw, 0)
    if not address.startswith("/"):
        raise OscError(f"address {address[:40]!r}")
    types, at = _string(raw, at)
    if not types.startswith(","):
        raise OscError("no type tags")
    if len(types) > 2 and types.strip(",") == types[1] * (len(types) - 1) and types[1] in "if":
        return address, struct.unpack_from(f">{len(types) - 1}{types[1]}", raw, at)
    made: list[Any] = []
    for kind in types[1:]:
        if kind in "if":
            made.append(struct.unpack_from(">" + kind, raw, at)[0])
            at += 4
        elif kind == "s":
            text, at = _string(raw, at)
            made.append(text)
        elif kind == "b":
            (size,) = struct.unpack_from(">i", raw, at)
            made.append(raw[at + 4 : at + 4 + size])
            at += 4 + (size + 3) // 4 * 4
        elif kind in "TFNI":
            made.append({"T": True, "F": False}.get(kind))
        else:
            raise OscError(f"type {kind!r}")
    return address, tuple(made)


def _string(raw: bytes, at: int) -> tuple[str, int]:
    end = raw.find(b"\0", at)
    if end < 0:
        raise OscError("string without end")
    return raw[at:end].decode("ascii"), (end // 4 + 1) * 4

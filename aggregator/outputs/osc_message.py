"""Open Sound Control 1.0: one message, one bundle. Pure.

Source: The Open Sound Control 1.0 Specification (Wright, 2002), "OSC Data Types", "OSC Bundles" and its two examples.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable

IMMEDIATELY = 1  # the time tag 0x0000000000000001; the time itself travels as data, receivers disagree about others
BUNDLE_HEADER_BYTES = 16  # "#bundle\0" and the 64-bit time tag
ELEMENT_SIZE_BYTES = 4  # int32 before each element of a bundle
WORD_BYTES = 4  # everything in Open Sound Control is aligned to four bytes


class OscError(ValueError):
    """A message that Open Sound Control 1.0 cannot carry; the text names the address, the value and what is allowed."""


def padded_string(text: str) -> bytes:
    """ASCII text, at least one null, padded to a multiple of four bytes.

    Raises:
        OscError: the text is not ASCII or contains a null.
    """
    try:
        raw = text.encode("ascii")
    except UnicodeEncodeError:
        raise OscError(f"{text!r}: strings are ASCII") from None
    if b"\0" in raw:
        raise OscError(f"{text!r}: a string cannot contain a null")
    return raw + b"\0" * (WORD_BYTES - len(raw) % WORD_BYTES)


def message(address: str, types: str, *args: float | int | str) -> bytes:
    """One message: padded address, padded type tags with their comma, arguments big-endian.

    ``types`` has one letter an argument: ``i`` int32, ``f`` float32, ``s`` string (the core types but blobs, which
    some receivers show as raw bytes).

    Raises:
        OscError: address not starting with ``/``, unknown type, wrong count, integer outside int32, NaN or infinity.
    """
    if not address.startswith("/"):
        raise OscError(f"{address!r}: an address starts with /")
    if len(types) != len(args):
        raise OscError(f"{address}: {len(types)} types {types!r}, {len(args)} arguments")
    tags = zip(types, args, strict=True)
    return padded_string(address) + padded_string("," + types) + b"".join(_argument(address, t, a) for t, a in tags)


def _argument(address: str, tag: str, value: float | int | str) -> bytes:
    if tag == "s" and isinstance(value, str):
        return padded_string(value)
    if tag == "i" and not isinstance(value, str):
        if not -(2**31) <= int(value) < 2**31:
            raise OscError(f"{address}: {value} is outside int32")
        return struct.pack(">i", int(value))
    if tag == "f" and not isinstance(value, str):
        if not math.isfinite(value):
            raise OscError(f"{address}: {value} is not a finite number")
        return struct.pack(">f", value)
    raise OscError(f"{address}: type {tag!r} does not carry {value!r}; allowed i, f, s")


def bundle(messages: Iterable[bytes], time_tag: int = IMMEDIATELY) -> bytes:
    """One bundle: ``#bundle``, the time tag, and each element after its size."""
    parts = [b"#bundle\0", struct.pack(">Q", time_tag)]
    for element in messages:
        parts += (struct.pack(">i", len(element)), element)
    return b"".join(parts)

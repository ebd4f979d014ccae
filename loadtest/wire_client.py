"""A phone's side of the websocket, as bytes: handshake, text messages out, messages in. Pure.

Just enough of RFC 6455 for a load generator, at a few microseconds a message: unfragmented messages only, mask key
zero. The tests check it against an independent implementation.
"""

from __future__ import annotations

from collections.abc import Iterator

KEY = "cmlwaWVubyBsb2FkdGVzdA=="  # any 16 bytes; the answer to it is not checked, only the status
TEXT, BINARY, CLOSE, PING, PONG = 1, 2, 8, 9, 10
ACK_START = b'{"type":"ack","next":'
_SHORT, _LONG = 125, 126
_DIGITS_AT, _BRACE = 2 + len(ACK_START), ord("}")


def upgrade(host: str, path: str) -> bytes:
    """The handshake request."""
    lines = (
        f"GET {path or '/'} HTTP/1.1",
        f"Host: {host}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        f"Sec-WebSocket-Key: {KEY}",
        "Sec-WebSocket-Version: 13",
        "",
        "",
    )
    return "\r\n".join(lines).encode()


def upgraded(head: bytes) -> bool:
    """Whether the relay's answer says 101."""
    return head[:12].split(b" ")[1:2] == [b"101"]


def message(kind: int, payload: bytes) -> bytes:
    """One unfragmented message of a client (mask key zero)."""
    size = len(payload)
    if size <= _SHORT:
        head = bytes((0x80 | kind, 0x80 | size))
    elif size < 65536:
        head = bytes((0x80 | kind, 0x80 | _LONG)) + size.to_bytes(2, "big")
    else:
        head = bytes((0x80 | kind, 0x80 | 127)) + size.to_bytes(8, "big")
    return head + b"\0\0\0\0" + payload


def messages(buffer: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    """The whole messages in a buffer from the relay, as (kind, payload), and what is left of it."""
    made = list(_messages(buffer))
    used = made[-1][2] if made else 0
    return [(kind, payload) for kind, payload, _ in made], buffer[used:]


def _messages(buffer: bytes) -> Iterator[tuple[int, bytes, int]]:
    at = 0
    while len(buffer) - at >= 2:
        size, head = buffer[at + 1] & 0x7F, 2
        if size == _LONG:
            size, head = int.from_bytes(buffer[at + 2 : at + 4], "big"), 4
        elif size == 127:
            size, head = int.from_bytes(buffer[at + 2 : at + 10], "big"), 10
        end = at + head + size
        if len(buffer) < max(end, at + head):
            return
        yield buffer[at] & 0x0F, buffer[at + head : end], end
        at = end


def lone_acknowledgement(data: bytes) -> int:
    """The number when ``data`` is exactly one acknowledgement written the usual way, header included; else -1."""
    if data.startswith(ACK_START, 2) and data[1] == len(data) - 2 and data[-1] == _BRACE:
        digits = data[_DIGITS_AT:-1]
        return int(digits) if digits.isdigit() else -1
    return -1


def acknowledged(payload: bytes) -> int:
    """The number in an acknowledgement written the usual way, or -1 for anything else."""
    if payload.startswith(ACK_START) and payload.endswith(b"}"):
        digits = payload[len(ACK_START) : -1]
        return int(digits) if digits.isdigit() else -1
    return -1

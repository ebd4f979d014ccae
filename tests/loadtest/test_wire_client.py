"""The client's side of the websocket against an independent implementation (the ``websockets`` library)."""

from __future__ import annotations

import pytest
from websockets.frames import Frame, Opcode
from websockets.protocol import OPEN
from websockets.server import ServerProtocol

from loadtest import wire_client


def server() -> ServerProtocol:
    made = ServerProtocol()
    made.receive_data(wire_client.upgrade("127.0.0.1:9401", "/phone"))
    (request,) = made.events_received()
    made.send_response(made.accept(request))  # type: ignore[arg-type]
    return made


def test_the_handshake_is_accepted() -> None:
    answer = b"".join(server().data_to_send())
    assert wire_client.upgraded(answer)
    assert not wire_client.upgraded(b"HTTP/1.1 503 Service Unavailable\r\n\r\n")
    assert not wire_client.upgraded(b"")


@pytest.mark.parametrize("size", [0, 1, 125, 126, 65535, 65536])
@pytest.mark.parametrize("kind", [wire_client.TEXT, wire_client.BINARY])
def test_messages_are_read_by_the_other_side(size: int, kind: int) -> None:
    made = server()
    payload = b"a" * size
    made.receive_data(wire_client.message(kind, payload))
    (frame,) = made.events_received()
    assert isinstance(frame, Frame)
    assert (frame.opcode, frame.fin, bytes(frame.data)) == (Opcode(kind), True, payload)


@pytest.mark.parametrize("sizes", [[0], [3, 125], [126, 1, 70_000, 2]])
def test_the_other_sides_messages_are_read_whole_and_in_pieces(sizes: list[int]) -> None:
    made = server()
    made.data_to_send()
    assert made.state is OPEN
    payloads = [bytes([i]) * size for i, size in enumerate(sizes)]
    for payload in payloads:
        made.send_binary(payload)
    raw = b"".join(made.data_to_send())
    whole, rest = wire_client.messages(raw)
    assert (whole, rest) == ([(wire_client.BINARY, p) for p in payloads], b"")
    found, buffer = [], b""
    step = max(1, len(raw) // 500)
    for at in range(0, len(raw), step):
        more, buffer = wire_client.messages(buffer + raw[at : at + step])
        found += more
    assert (found, buffer) == (whole, b"")


def test_acknowledgements_are_read_the_short_way() -> None:
    assert wire_client.acknowledged(b'{"type":"ack","next":1234}') == 1234
    for other in (b"", b'{"type":"ack","next":-1}', b'{"type":"ack","next":1,"x":2}', b'{"type":"welcome"}', b"ack"):
        assert wire_client.acknowledged(other) == -1

from __future__ import annotations

import numpy as np
import pytest
from websockets.frames import Opcode
from websockets.protocol import OPEN
from websockets.server import ServerProtocol

from loadtest.packets import blocks_of, build, framed
from loadtest.physiology import Audience
from loadtest.programme import demo
from relay.wire import Block, Packet, decode, encode


@pytest.mark.parametrize("span", [0.25, 0.2, 1.0])
def test_built_packets_equal_the_relays_encoder(span: float) -> None:
    house = Audience(7, 1, demo(), motion=True)
    times_us = np.arange(7, dtype=np.int64) * 1_000_003
    for number in range(8):
        t0_s = number * span
        made = build(number, times_us, blocks_of(house.signals(t0_s, t0_s + span), t0_s))
        for row in range(7):
            blocks = blocks_of(house.signals(t0_s, t0_s + span), t0_s)
            expected = Packet(
                number, int(times_us[row]), tuple(Block(c, o, s[row]) for c, o, s in blocks if s.shape[1])
            )
            assert made[row].tobytes() == encode(expected)


def test_samples_survive_the_wire() -> None:
    house = Audience(3, 1, demo())
    signals = house.signals(0.0, 0.25)
    packet = decode(build(9, np.array([5, 6, 7]), blocks_of(signals, 0.0))[2].tobytes())
    assert (packet.sequence, packet.time_us) == (9, 7)
    np.testing.assert_array_equal(packet.blocks[0].samples, signals.pulse[2])
    assert packet.blocks[2].offset_us == 0


@pytest.mark.parametrize("size", [40, 125, 126, 300])
def test_frames_are_read_by_an_independent_server(size: int) -> None:
    """The ``websockets`` library's protocol as the judge of our client header."""
    payload = np.arange(size, dtype=np.uint8)[None, :]
    server = ServerProtocol()
    server.state = OPEN
    server.parser = server.parse()
    next(server.parser)
    server.receive_data(framed(payload)[0].tobytes())
    (frame,) = server.events_received()
    assert frame.opcode is Opcode.BINARY  # type: ignore[union-attr]
    assert bytes(frame.data) == payload.tobytes()  # type: ignore[union-attr]

"""The simulated audience as phones: its samples in packets, entries of several halls that differ in what happens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from aggregator.dsp.columns import Floats
from aggregator.engine import Engine, EngineSettings
from aggregator.snapshot import PartSnapshot, SynchronySums
from aggregator.synchrony import CYCLE, CYCLE_MS, SAMPLE_MS, window_sums
from aggregator.synchrony_glide import SynchronyGlide
from loadtest.people import Traits
from loadtest.physiology import Audience, Signals
from loadtest.programme import Happening, Programme
from relay.bus import SHARDS
from relay.entries import Consent, Join, Part
from relay.seat_plan import generated
from relay.wire import Block, Packet, encode
from tests.aggregator.helper_engine import REST_S, Drive
from tests.aggregator.helper_signals import T0_MS, Sent, Tape

SLOW_HZ = 4.0  # ticks a second: as many as synchrony takes samples, so that three minutes take seconds
FIRST_S = 62.0  # the first whole window
PACKET_MS = 500  # phones send 2 to 5 packets a second
DELAY_MS = 20  # on the network
PACKETS_A_CALL = 20  # 10 s of wave forms at a time


class Phones:
    """The audience's phones: listener ``numbers[i]`` (any of u64) sits on seat ``first_seat + i``."""

    def __init__(self, audience: Audience, numbers: list[int], first_seat: int) -> None:
        self.audience, self.numbers, self.first_seat = audience, numbers, first_seat

    def claims(self) -> list[Join]:
        """Everybody's claim, on stream 1."""
        return [
            Join(number, 1, self.first_seat + i, role, self.audience.channels)
            for i, (number, role) in enumerate(zip(self.numbers, self.audience.roles, strict=True))
        ]

    def packets(self, seconds: float) -> Iterator[Sent]:
        """Everybody's packets of half a second, in order of time."""
        count = round(seconds * 1000 / PACKET_MS)
        for start in range(0, count, PACKETS_A_CALL):
            stop = min(start + PACKETS_A_CALL, count)
            signals = self.audience.signals(start * PACKET_MS / 1000, stop * PACKET_MS / 1000)
            for sequence in range(start, stop):
                yield from self._packet(signals, sequence)

    def come(self, tape: Tape, seconds: float) -> None:
        """Everybody's consent, claim and packets."""
        for join in self.claims():
            tape.control(T0_MS, join.listener % SHARDS, Consent(join.listener, True, "v1"))
            tape.control(T0_MS, join.listener % SHARDS, join)
        tape.send(self.packets(seconds))

    def _packet(self, signals: Signals, sequence: int) -> Iterator[Sent]:
        start_us = sequence * PACKET_MS * 1000
        cut = []
        for channel, name in enumerate(c.name for c in self.audience.channels):
            rate = int(self.audience.channels[channel].rate_hz)
            first = -(-start_us * rate // 1_000_000)
            after = -(-(start_us + PACKET_MS * 1000) * rate // 1_000_000)
            at = getattr(signals, f"{name}_first")
            if after > first:
                offset_us = first * 1_000_000 // rate - start_us
                cut.append((channel, offset_us, getattr(signals, name)[:, first - at : after - at]))
        arrival = T0_MS + (sequence + 1) * PACKET_MS + DELAY_MS
        for i, number in enumerate(self.numbers):
            blocks = tuple(Block(channel, offset, samples[i]) for channel, offset, samples in cut)
            yield Sent(arrival, number, 1, sequence, encode(Packet(sequence, 1_000_000 + start_us, blocks)))


def parts_of(programme: Programme) -> Tape:
    """A tape with the programme's parts."""
    tape = Tape()
    for part in programme.parts:
        tape.everywhere(T0_MS + round(part.start_s * 1000), Part(part.part))
    return tape


def numbered(first: int, count: int) -> list[int]:
    """Pseudonyms that are spread over all of u64 and over the shards."""
    return [((first + i) * 0x9E3779B97F4A7C15 + 77) % (1 << 64) for i in range(count)]


def slow_engine(seats: int) -> Engine:
    """An engine of SLOW_HZ ticks a second."""
    return Engine(generated(seats), EngineSettings(rest_s=REST_S), t0_ms=T0_MS, tick_hz=SLOW_HZ)


@dataclass(frozen=True)
class Hall:
    """One hall's audience: ``kind`` of what happens (empty: nothing), whether phones send motion."""

    kind: str = ""
    motion: bool = False


def published_synchrony(
    halls: Sequence[Hall], programme: Programme, happening_s: tuple[float, float], n: int, seed: int
) -> tuple[Floats, Floats]:
    """Play the programme to ``n`` listeners of each hall, the same people in each, through one engine.

    Returns the windows' ends in s, and the synchrony that each hall would publish, (windows, halls). Halls share an
    engine because a house is not divided there: each one's windows are those of its own listeners' rings.
    """
    tape, phones = parts_of(programme), []
    for i, hall in enumerate(halls):
        heard = programme.with_happenings(Happening(hall.kind, *happening_s)) if hall.kind else programme
        audience = Audience(n, seed, heard, traits=Traits(leak_share=0.3), motion=hall.motion)
        phones.append(Phones(audience, numbered(i * n, n), 1 + i * n))
        phones[-1].come(tape, programme.length_s)
    engine = slow_engine(n * len(halls))
    glides = [SynchronyGlide() for _ in halls]
    ends, shown = [], []

    def look(part: PartSnapshot) -> None:
        end_n = part.cut_ms // CYCLE_MS * CYCLE
        if part.cut_ms % CYCLE_MS >= SAMPLE_MS or part.cut_ms < T0_MS + FIRST_S * 1000:
            return
        ends.append((end_n * SAMPLE_MS - T0_MS) / 1000)
        rows = [np.array([engine.listeners.row_of[number] for number in hall.numbers]) for hall in phones]
        sums = [SynchronySums(end_n * SAMPLE_MS, *window_sums(engine.alike.state, mine, end_n)) for mine in rows]
        shown.append([glide.follow(made)[0] for glide, made in zip(glides, sums, strict=True)])

    Drive(engine, tape.entries).run(programme.length_s, look)
    return np.array(ends), np.array(shown)

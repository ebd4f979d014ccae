"""What should have come out: a fresh engine and merger over the bus's whole log, and the log taken apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from aggregator.engine import Engine
from aggregator.merger import Merger
from aggregator.snapshot import Snapshot
from relay.entries import Consent, Control, Entry, Erase, Join, Stamp, decode_control, decode_packets, is_packets
from tests.simulation.concert import Concert
from tests.simulation.roles import SETTINGS, Packet


def replay(concert: Concert) -> tuple[Engine, dict[int, Snapshot]]:
    """Every tick from the first on, from the entries that the bus kept."""
    computed = [k for role in concert.every_role for k in getattr(role, "computed", {})]
    roles = [r for r in concert.every_role if getattr(r, "computed", {})]
    t0_ms = roles[0].engine.t0_ms  # type: ignore[union-attr]
    engine = Engine(concert.plan, SETTINGS, t0_ms=t0_ms, tick_hz=concert.tick_hz)
    merger = Merger(concert.plan, tick_hz=concert.tick_hz)
    for log in concert.server.log:
        engine.ingest(log)
    return engine, {k: merger.publish([engine.tick(k)]) for k in range(max(computed) + 1)}


@dataclass
class Heard:
    """The log by listener: when packets first came, and the control entries, by stamp."""

    first_ms: dict[Packet, int] = field(default_factory=dict)
    newest: dict[int, list[tuple[int, Packet]]] = field(default_factory=dict)
    lost: dict[int, list[tuple[int, Packet]]] = field(default_factory=dict)  # on entries that a failover took back
    controls: dict[int, list[tuple[Stamp, Control]]] = field(default_factory=dict)

    def consent_at(self, listener: int, ms: int) -> bool:
        """What the listener's newest answer before that time is."""
        said = [e.answer for s, e in self.controls.get(listener, []) if isinstance(e, Consent) and s.ms <= ms]
        return bool(said) and said[-1]

    def stream_at(self, listener: int, ms: int) -> int:
        """The stream whose claim counts at that time; 0 none."""
        claims = [e.stream for s, e in self.controls.get(listener, []) if isinstance(e, Join) and s.ms <= ms]
        return claims[-1] if claims else 0

    def changes(self, listener: int) -> list[int]:
        """Stamps at which a listener's row may be cleared: withdrawals, erasures, claims."""
        kinds = (Consent, Erase, Join)
        return [
            s.ms
            for s, e in self.controls.get(listener, [])
            if isinstance(e, kinds) and not (isinstance(e, Consent) and e.answer)
        ]

    def erased_at(self, listener: int) -> Stamp | None:
        """The first erasure's stamp."""
        return min((s for s, e in self.controls.get(listener, []) if isinstance(e, Erase)), default=None)


def heard(concert: Concert) -> Heard:
    """Take the log apart."""
    made = Heard()
    for log in concert.server.log:
        for entry in log:
            if is_packets(entry.payload):
                for packet in packets_of(entry):
                    made.first_ms.setdefault(packet, entry.stamp.ms)
                    made.newest.setdefault(packet[0], []).append((entry.stamp.ms, packet))
                continue
            event = decode_control(entry.payload)
            listener = getattr(event, "listener", None)
            if listener is not None:
                made.controls.setdefault(listener, []).append((entry.stamp, event))
    for entry in concert.server.lost:
        if is_packets(entry.payload):
            for packet in packets_of(entry):
                made.lost.setdefault(packet[0], []).append((entry.stamp.ms, packet))
    for said in made.controls.values():
        said.sort(key=lambda one: one[0])
    for came in made.newest.values():
        came.sort()
    return made


def packets_of(entry: Entry) -> Iterator[Packet]:
    """The packets of a batch."""
    batch = decode_packets(entry.payload)
    for record, start in zip(batch.records, batch.starts.tolist(), strict=True):
        number = int.from_bytes(batch.payload[start + 4 : start + 8], "little")
        yield int(record["listener"]), int(record["stream"]), number

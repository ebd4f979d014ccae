"""What must hold in every concert, whatever went wrong: each rule is a function from the outcome to its violations.

Source of the rules: the project's contracts 2, 4, 6, 7, 11, 13 and 15; nothing here is the code under test's own word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from aggregator import checkpoint, saved
from aggregator.engine import Engine
from aggregator.snapshot import Snapshot
from relay.entries import Consent, Erase, is_packets
from tests.simulation.concert import QUIET_S, RECOVERED_S, Concert
from tests.simulation.phone import KEPT, SPAN_S, Answer, SimulatedPhone
from tests.simulation.reference import Heard, heard, packets_of, replay
from tests.simulation.roles import AggregatorRole, Packet

SLEW_PER_S = 0.5  # contract 11
EMPTY_PER_S = 0.1  # a house of nobody glides back to rest
ROUNDING = 2e-6  # snapshots carry float32
SETTLING, RESTING, FOLLOWING, HELD, FADING, ABSENT = 1, 2, 3, 4, 5, 0
LIVE = (SETTLING, RESTING, FOLLOWING)
HELD_AFTER_MS, FADING_AFTER_MS, LOST_AFTER_MS = 1_500, 5_500, 11_500
OLD_MS = 9_000  # 10 s less the path's and the clocks' part
HOLE_MS = 1_900  # 2 s less a tick's rounding
WINDOW = 60  # of 64 packets behind a hole
NEAR_MS = 3_000  # what waits behind a hole is dropped with the row
RING_LESS_S = KEPT * SPAN_S - 2.0
WAITING_BOUND = 300_000
FOLLOWS_WITHIN_S = 1.0
WRITTEN_ANEW_MS = 1_000  # an erasure before the quiet end: from then on nothing keeps checkpoints from being written
CLEARED_MS = 31_000 + 12_000  # the followers' time, then a checkpoint, the trimming and two askings


@dataclass
class Outcome:
    """A concert played, its replay and its log."""

    concert: Concert
    engine: Engine
    expected: dict[int, Snapshot]
    heard: Heard

    @property
    def aggregators(self) -> list[AggregatorRole]:
        """Every incarnation that computed something."""
        return [r for r in self.concert.every_role if isinstance(r, AggregatorRole) and r.computed]


def outcome(concert: Concert) -> Outcome:
    """Replay and take apart."""
    engine, expected = replay(concert)
    return Outcome(concert, engine, expected, heard(concert))


Rule = Callable[[Outcome], Iterable[str]]


def nobody_died(o: Outcome) -> Iterable[str]:
    """No role ends with an exception, no callback raises."""
    return o.concert.errors


def values_stay_in_range(o: Outcome) -> Iterable[str]:
    """Arousal and confidence are finite and in [0, 1], for seats, sections and house, in every snapshot computed."""
    for role in o.aggregators:
        for k, s in role.computed.items():
            rows = [s.house, *(e for _, e in s.sections)]
            found = np.concatenate(
                [s.arousal, s.confidence, [v for e in rows for v in (e.arousal, e.confidence, e.p10, e.p90)]]
            )
            if not (np.isfinite(found).all() and (found >= 0).all() and (found <= 1).all()):
                yield f"{role.name}, tick {k}: a value outside 0..1"


def published_values_move_slowly(o: Outcome) -> Iterable[str]:
    """From one sent snapshot to the next, over take-overs too, nothing moves by more than 0.5 a second; but for a
    take-over after a failover that lost or stamped again what one of the two had used: then they differ."""
    hz, sent = o.concert.tick_hz, o.concert.sent
    apart_ms = {role.name: _first_lost_ms(o, role) for role in o.aggregators}
    for a, b in pairwise(sent):
        if a.holder != b.holder and b.snapshot.cut_ms > min(apart_ms[a.holder], apart_ms[b.holder]):
            continue
        limit = SLEW_PER_S * max(b.snapshot.k - a.snapshot.k, 0) / hz + ROUNDING
        moved = float(np.abs(_values(b.snapshot) - _values(a.snapshot)).max())
        if moved > limit:
            yield f"{a.holder} tick {a.snapshot.k} -> {b.holder} tick {b.snapshot.k}: {moved:.4f} > {limit:.4f}"


def _values(s: Snapshot) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.concatenate([s.arousal.astype(np.float64), [s.house.arousal], [e.arousal for _, e in s.sections]])


def an_empty_house_does_not_jump(o: Outcome) -> Iterable[str]:
    """Where nobody counts, the house's value moves by at most 0.1 a second: dropouts are no movement."""
    limit = EMPTY_PER_S / o.concert.tick_hz + ROUNDING
    for role in o.aggregators:
        for k, s in role.computed.items():
            before = role.computed.get(k - 1)
            if before is not None and s.house.counted == 0 and abs(s.house.arousal - before.house.arousal) > limit:
                yield f"{role.name}, tick {k}: the empty house moved {s.house.arousal - before.house.arousal:+.4f}"


def silence_is_said(o: Outcome) -> Iterable[str]:
    """A seat of whom no packet came for 1.5 s is not shown as live, for 5.5 s not as held, for 11.5 s not as fading."""
    for phone in o.concert.phones:
        came = np.array([ms for ms, _ in o.heard.newest.get(phone.listener, [])])
        for k, s in o.expected.items():
            state = int(s.state[phone.seat - 1])
            at = int(np.searchsorted(came, s.cut_ms)) - 1
            silence = s.cut_ms - int(came[at]) if at >= 0 else 1 << 40
            late = (
                (silence >= HELD_AFTER_MS and state in LIVE)
                or (silence >= FADING_AFTER_MS and state == HELD)
                or (silence >= LOST_AFTER_MS and state == FADING)
            )
            if late:
                yield f"seat {phone.seat}, tick {k}: state {state} after {silence} ms of silence"


def who_said_no_is_absent(o: Outcome) -> Iterable[str]:
    """Declined, withdrawn and erased seats are absent from the first tick after their stamp, as empty ones are."""
    for phone in o.concert.phones:
        erased = o.heard.erased_at(phone.listener)
        for k, s in o.expected.items():
            at_ms = s.cut_ms - 1
            gone = erased is not None and erased.ms <= at_ms
            if (gone or not o.heard.consent_at(phone.listener, at_ms)) and int(s.state[phone.seat - 1]) != ABSENT:
                yield f"seat {phone.seat}, tick {k}: state {int(s.state[phone.seat - 1])} without consent"


def a_no_is_kept(o: Outcome) -> Iterable[str]:
    """Once the phone was told that its no (or erasure) is recorded, and said nothing else, the end finds it absent: in
    what is sent. A replay may lack an erasure that a failover lost, with the relay that would have said it again."""
    if not o.concert.sent:
        return
    last = o.concert.sent[-1].snapshot
    for phone in o.concert.phones:
        no = phone.declines or phone.erased or (phone.answer is Answer.NO and phone.confirmed)
        if no and int(last.state[phone.seat - 1]) != ABSENT:
            yield f"seat {phone.seat}: state {int(last.state[phone.seat - 1])} at the end"


def nothing_of_the_erased_remains(o: Outcome) -> Iterable[str]:
    """No row of an erased listener, no packet of an erased or declined one, is in an engine's image at the end."""
    for role in _living(o):
        image, rows = role.engine.checkpoint(), role.engine.listeners.row_of
        for phone in o.concert.phones:
            if phone.erased and phone.listener in rows:
                yield f"{role.name}: erased seat {phone.seat} has a row"
            if (phone.erased or phone.declines) and any(
                raw[16:] in image for stream in phone.streams for raw in stream.packets.values() if len(raw) > 40
            ):
                yield f"{role.name}: a packet of seat {phone.seat} is in the image"


def nothing_of_the_erased_is_on_a_disk(o: Outcome) -> Iterable[str]:
    """Long enough after its newest erasure, a listener has no row in any checkpoint and no packet on the bus's disk."""
    concert = o.concert
    last_ms = o.expected[max(o.expected)].cut_ms
    lead = next((r for r in reversed(o.aggregators) if concert.sent and r.name == concert.sent[-1].holder), None)
    knew_ms = (
        lead.engine.cut_ms(min(lead.computed)) if lead is not None else last_ms
    )  # a cold start begins to wait anew
    for phone in concert.phones:
        said = [stamp.ms for stamp, event in o.heard.controls.get(phone.listener, []) if isinstance(event, Erase)]
        if not said or max(said) > min(last_ms, concert.quiet_ms) - WRITTEN_ANEW_MS:
            continue
        for path, image in concert.disk.files.items():
            if path not in concert.disk.damaged and phone.listener in _rows_in(image):
                yield f"{path} has a row of the erased seat {phone.seat}"
        if max(said) > last_ms - CLEARED_MS or max(said) < knew_ms or concert.server.losses:
            continue
        streams = [entry for entries in concert.server.on_disk for entry in entries]
        for entry in streams:
            if is_packets(entry.payload) and any(p[0] == phone.listener for p in packets_of(entry)):
                yield f"a packet of the erased seat {phone.seat} is on the bus's disk, stamped {entry.stamp.ms}"
                break


def _rows_in(image: bytes) -> set[int]:
    arrays = checkpoint.decode(saved.unpack(image).image).arrays
    return {int(listener) for listener in arrays["listeners/listener"]}


def _living(o: Outcome) -> list[AggregatorRole]:
    return [role for role in o.concert.aggregators if role.computed]


def acknowledged_is_processed(o: Outcome) -> Iterable[str]:
    """Each acknowledged packet was used, or a rule that is counted says why not: never missing in silence."""
    for role in _living(o):
        if not role.ledger.whole:
            continue
        for phone in o.concert.phones:
            for stream in phone.streams:
                for number in stream.acknowledged:
                    packet = (phone.listener, stream.number, number)
                    if o.heard.first_ms.get(packet, 0) >= role.engine.cut_ms(role.engine.used_at(role.engine.k)):
                        continue  # its tick is still to come
                    if packet not in role.ledger.used and not _excused(o, phone, packet):
                        yield f"{role.name}: seat {phone.seat} packet {number} of stream {stream.number:x} is missing"


def _excused(o: Outcome, phone: SimulatedPhone, packet: Packet) -> bool:
    """A counted rule drops this packet: too old, behind a hole, of an older stream, no consent; or lost beyond the
    ring in a failover."""
    came_ms = o.heard.first_ms.get(packet)
    if came_ms is None:
        return _beyond_the_ring(o, phone, packet)
    listener, number, claimed = phone.listener, packet[1], o.heard.stream_at(phone.listener, came_ms)
    if phone.erasing or not o.heard.consent_at(listener, came_ms):
        return True
    if any(0 <= ms - came_ms < NEAR_MS for ms in o.heard.changes(listener)):
        return True
    order = [s.number for s in phone.streams]
    if claimed != number:
        return claimed in order and order.index(claimed) > order.index(number)
    return _late(o, phone, packet, came_ms)


def _late(o: Outcome, phone: SimulatedPhone, packet: Packet, came_ms: int) -> bool:
    stream = next(s for s in phone.streams if s.number == packet[1])
    made_ms = (stream.made_s[packet[2]] + o.concert.first_offset_s - o.concert.steps_s) * 1000
    if came_ms - made_ms > OLD_MS or phone.stepped:
        return True
    came = o.heard.newest[phone.listener] + o.heard.lost.get(phone.listener, [])
    ahead = [ms for ms, (_, s, n) in came if s == packet[1] and n > packet[2] and ms <= came_ms]
    return len(ahead) >= WINDOW or (bool(ahead) and came_ms - min(ahead) >= HOLE_MS)


def _beyond_the_ring(o: Outcome, phone: SimulatedPhone, packet: Packet) -> bool:
    """Accepted, then lost in a failover: recovered from the ring unless the phone had gone or made it too long ago."""
    stream = next(s for s in phone.streams if s.number == packet[1])
    if not o.concert.server.losses:
        return False
    ended = stream is not phone.stream or phone.off or phone.erasing or phone.leaving or phone.answer is Answer.NO
    return ended or stream.made_s[packet[2]] < stream.rewound_s - RING_LESS_S or packet[2] in stream.skipped


def nothing_is_processed_twice(o: Outcome) -> Iterable[str]:
    """No line of engines gives a packet's samples to the kernels twice, but for who withdrew in between: with the row
    nothing of the first time was kept, and the phone may send what it has no acknowledgement for."""
    for role in o.aggregators:
        for (listener, stream, number), first, again in role.ledger.twice:
            noes = [
                stamp.ms
                for stamp, said in o.heard.controls.get(listener, [])
                if isinstance(said, Consent) and not said.answer
            ]
            if not any(role.engine.cut_ms(first - 1) <= ms < role.engine.cut_ms(again) for ms in noes):
                yield f"{role.name}: packet {number} of stream {stream:x} of listener {listener:x} was used twice"


def one_lead_at_a_time(o: Outcome) -> Iterable[str]:
    """Whoever has sent under an epoch, nobody sends under a lower one afterwards; an epoch has one holder."""
    holders: dict[int, str] = {}
    highest = 0
    for sent in o.concert.sent:
        epoch = sent.snapshot.epoch
        if epoch < highest:
            yield f"{sent.holder} sent under epoch {epoch} at {sent.at_s:.2f} s, after epoch {highest}"
        if holders.setdefault(epoch, sent.holder) != sent.holder:
            yield f"epoch {epoch} is {holders[epoch]}'s and {sent.holder}'s"
        highest = max(highest, epoch)


def ticks_rise(o: Outcome) -> Iterable[str]:
    """No tick is sent twice or after a later one, whoever sends."""
    for a, b in pairwise(o.concert.sent):
        if b.snapshot.k <= a.snapshot.k and b.snapshot.epoch == a.snapshot.epoch:
            yield f"{b.holder}: tick {b.snapshot.k} after {a.holder}'s tick {a.snapshot.k}"


def all_compute_the_same(o: Outcome) -> Iterable[str]:
    """Each tick of the lead and of every follower has the bits of a replay of the same entries from the start."""
    for role in o.aggregators:
        before_ms = _first_lost_ms(o, role)
        for k, s in role.computed.items():
            if role.ledger.whole and s.cut_ms <= before_ms and not _equal(s, o.expected[k]):
                yield f"{role.name}, tick {k} differs from the replay"
                break


def _first_lost_ms(o: Outcome, role: AggregatorRole) -> int:
    """From where on this line knows entries that the bus lost afterwards, or had computed what was then stamped again:
    live it was used later than its stamp says."""
    server = o.concert.server
    lost = {(e.stream, e.stamp) for e in server.lost}
    read = min((stamp.ms for stream, stamp in role.ledger.read if (stream, stamp) in lost), default=1 << 62)
    return min(read, server.stamped_again_ms)


def _equal(a: Snapshot, b: Snapshot) -> bool:
    """Equal bits in all that is published but for who sent it, its running number and the counters."""
    arrays = all(
        getattr(a, name).tobytes() == getattr(b, name).tobytes()
        for name in ("arousal", "confidence", "state", "states")
    )
    plain = ("k", "cut_ms", "part", "missing", "notices")
    return arrays and all(getattr(a, n) == getattr(b, n) for n in plain) and _text(a) == _text(b)


def _text(s: Snapshot) -> str:
    return repr((s.house, s.sections, s.performers))


def nothing_unread_is_trimmed(o: Outcome) -> Iterable[str]:
    """No warm follower finds that entries which it had not read are gone."""
    for role in o.aggregators:
        if role.trimmed_past and not o.concert.disk.damaged:
            stream, stamp = role.trimmed_past[0]
            yield f"{role.name} had read stream {stream} up to {stamp}, and more was trimmed"


def queues_stay_bounded(o: Outcome) -> Iterable[str]:
    """Relays' queues stay within their bound, and are empty when all is well again."""
    concert = o.concert
    bound = 1.1 * concert.backlog_items * 17 * len(concert.relays) + 17 * 4096
    if concert.most_waiting > min(bound, WAITING_BOUND):
        yield f"{concert.most_waiting} items waited"
    for relay in concert.relays:
        left = sum(len(box) for box in relay.core.outboxes)
        if left > 100:
            yield f"{relay.host.name}: {left} items left at the end"


def the_house_comes_back(o: Outcome) -> Iterable[str]:
    """When nothing has gone wrong for a while, somebody sends every tick, and every willing listener is heard."""
    concert = o.concert
    end_s = concert.begun_s + concert.length_s + QUIET_S
    late = [s for s in concert.sent if s.at_s >= end_s - (QUIET_S - RECOVERED_S)]
    if len(late) < 0.8 * (QUIET_S - RECOVERED_S) * concert.tick_hz:
        yield f"only {len(late)} snapshots in the last {QUIET_S - RECOVERED_S:.0f} s"
    if not concert.sent:
        return
    last = concert.sent[-1].snapshot
    for phone in concert.phones:
        willing = phone.answer is Answer.YES and phone.confirmed and not (phone.off or phone.erasing or phone.leaving)
        state = int(last.state[phone.seat - 1])
        if willing and not phone.declines and state not in (*LIVE, 7):
            yield f"seat {phone.seat}: state {state} at the end"
        if willing and not phone.declines and phone.stream.delivery.made - phone.stream.delivery.lowest > 10:
            d = phone.stream.delivery
            yield f"seat {phone.seat}: {d.made - d.lowest} packets not acknowledged at the end"


RULES: tuple[Rule, ...] = (
    nobody_died,
    values_stay_in_range,
    published_values_move_slowly,
    an_empty_house_does_not_jump,
    silence_is_said,
    who_said_no_is_absent,
    a_no_is_kept,
    nothing_of_the_erased_remains,
    nothing_of_the_erased_is_on_a_disk,
    acknowledged_is_processed,
    nothing_is_processed_twice,
    one_lead_at_a_time,
    ticks_rise,
    all_compute_the_same,
    nothing_unread_is_trimmed,
    queues_stay_bounded,
    the_house_comes_back,
)


def violations(concert: Concert) -> list[str]:
    """Each rule's first violations, by name; empty when all hold."""
    made = outcome(concert)
    found = []
    for rule in RULES:
        broken = list(rule(made))
        name = rule.__name__.replace("_", " ")
        if broken:
            more = f" (and {len(broken) - 1} more)" if len(broken) > 1 else ""
            found.append(f"{name}: {broken[0]}{more}")
    return found

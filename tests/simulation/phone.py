"""A simulated phone: keeps PROTOCOL.md's promises over a bad network, and remembers everything it was told.

Numbers are loadtest.delivery.Delivery's; what arrives is the relay's own text.
"""

from __future__ import annotations

import asyncio
import enum
import json
import random
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loadtest.delivery import RING_S, Delivery
from tests.simulation.links import Connection
from tests.simulation.signals import Signals

if TYPE_CHECKING:
    from tests.simulation.concert import Concert

SPAN_S = 0.5  # two packets a second, the fewest that PROTOCOL.md recommends
KEPT = int(RING_S / SPAN_S)
CATCH_UP = 4  # packets a turn behind: the pace that welcome asks for
NO_ACK_S = 10.0
RETRY_MOST_S = 8.0


class Answer(enum.Enum):
    """What the listener answers to the consent text, now."""

    YES = "yes"
    NO = "no"


@dataclass
class Stream:
    """One start of the app: its number, when it began, its packets and what became of them."""

    number: int
    began_s: float
    first: int
    lowest: int = 0
    delivery: Delivery = field(default_factory=Delivery)
    packets: dict[int, bytes] = field(default_factory=dict)
    made_s: dict[int, float] = field(default_factory=dict)
    by_time: dict[int, int] = field(default_factory=dict)
    acknowledged: dict[int, float] = field(default_factory=dict)
    skipped: set[int] = field(default_factory=set)
    rewound_s: float = -1.0


class SimulatedPhone:
    """One seat's phone. The concert calls ``act_*`` for what happens to it or to its owner."""

    def __init__(self, concert: Concert, seat: int, token: str, listener: int, signals: Signals, seed: str) -> None:
        self.concert, self.seat, self.token, self.listener, self.signals = concert, seat, token, listener, signals
        self.dice = random.Random(seed)
        self.origin_us = self.dice.randrange(1 << 40)
        self.rate = 1.0 + self.dice.uniform(-100e-6, 100e-6)
        self.stepped = False
        self.answer, self.confirmed = Answer.YES, False
        self.declines = self.said_yes = False
        self.erasing = self.erased = self.leaving = self.left = False
        self.streams: list[Stream] = []
        self.connection: Connection | None = None
        self.ready = False  # welcomed, consent given: may send samples
        self.bus = ""
        self.quiet_until_s = self.offline_until_s = self.heard_s = 0.0
        self.failures = 0
        self.owed_skip: tuple[int, int] | None = None  # told once samples may be sent
        self.shuffles, self.repeats = self.dice.random() < 0.3, 0.05 if self.dice.random() < 0.3 else 0.0
        self.delay_s = self.dice.choice((0.005, 0.02, 0.06))
        self.off = True

    @property
    def stream(self) -> Stream:
        """The one under way."""
        return self.streams[-1]

    def clock_us(self, now_s: float) -> int:
        """The phone's own clock."""
        return self.origin_us + int(now_s * self.rate * 1e6)

    # --- what happens to it ------------------------------------------------------------------------------------

    def begin(self) -> None:
        """The app starts: a new stream, numbered from 0."""
        now = self._now()
        first = int((now - self.concert.begun_s) / SPAN_S) + 1
        self.streams.append(Stream(self.dice.getrandbits(63) | 1, self.concert.begun_s + first * SPAN_S, first))
        self.bus, self.owed_skip = "", None
        self.off = False

    def act_reload(self) -> None:
        """The page is loaded anew: the old stream's packets are gone."""
        self._drop(hang_up=True)
        self.begin()

    def act_cut(self, seconds: float, *, half_open: bool) -> None:
        """Out of the network for so long; what is under way is lost. The relay notices late, or never."""
        notices_s = None if half_open else self.dice.uniform(0.0, 5.0)
        if self.connection is not None:
            self.connection.cut(notices_s)
        self.connection, self.ready = None, False
        self.offline_until_s = self._now() + seconds

    def act_stall(self, seconds: float) -> None:
        """The radio loses for so long: TCP delivers late."""
        if self.connection is not None:
            until = self._now() + seconds
            self.connection.up.stall(until)
            self.connection.down.stall(until)

    def act_clock(self, seconds: float) -> None:
        """The phone's clock is stepped."""
        self.stepped = True
        self.origin_us = max(0, self.origin_us + int(seconds * 1e6))

    def act_withdraw(self) -> None:
        """The listener says no after a yes: the phone repeats it until the relay has confirmed."""
        if not self.erasing and not self.declines:
            self.answer, self.confirmed = Answer.NO, False

    def act_return(self) -> None:
        """The listener says yes again."""
        if not self.erasing and not self.declines and self.answer is Answer.NO:
            self.answer, self.confirmed = Answer.YES, False

    def act_erase(self) -> None:
        """The listener asks to be erased."""
        if not self.declines:
            self.erasing = True

    def act_leave(self) -> None:
        """The listener leaves the house."""
        self.leaving = True

    # --- its life ----------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Measure, send, come back."""
        await asyncio.sleep(self.dice.uniform(0.0, SPAN_S))
        while True:
            now = self._now()
            if not self.off:
                self._make(now)
                if self.connection is None:
                    self._connect(now)
                elif self.ready:
                    self._send(now)
                    self._wishes()
                    if now - self.heard_s > NO_ACK_S and self._owed():
                        self._drop(hang_up=True)
            await asyncio.sleep(SPAN_S)

    def _owed(self) -> bool:
        """Something was said that should have been answered by now."""
        delivery = self.stream.delivery
        return not self.confirmed or self.erasing or self.leaving or delivery.sent > delivery.lowest

    def _now(self) -> float:
        return asyncio.get_running_loop().time()

    def _make(self, now: float) -> None:
        stream = self.stream
        while stream.began_s + (len(stream.packets) + 1) * SPAN_S <= now:
            number = len(stream.packets)
            at_s = stream.began_s + number * SPAN_S
            time_us = self.clock_us(at_s)
            raw = self.signals.packet(number, (stream.first + number) * SPAN_S, time_us)
            stream.packets[number], stream.made_s[number] = raw, at_s
            stream.by_time[time_us + self.signals.first_offset_us((stream.first + number) * SPAN_S)] = number
        stream.delivery.make(len(stream.packets))
        gone = stream.delivery.discard(KEPT)
        if gone is not None:
            stream.skipped.update(range(gone[0], gone[1] + 1))
            self.owed_skip = (self.owed_skip or gone)[0], gone[1]

    def _send(self, now: float) -> None:
        if now < self.quiet_until_s or self.connection is None or self.answer is not Answer.YES or not self.said_yes:
            return
        if self.owed_skip is not None:
            self.connection.say(json.dumps({"type": "skip", "first": self.owed_skip[0], "last": self.owed_skip[1]}))
            self.owed_skip = None
        due = list(self.stream.delivery.due(CATCH_UP))
        if self.shuffles:
            self.dice.shuffle(due)
        for number in due:
            self.connection.say(self.stream.packets[number])
            if self.repeats and self.dice.random() < self.repeats:
                self.connection.say(self.stream.packets[number])

    def _wishes(self) -> None:
        """Say what the listener wants, until it was confirmed."""
        assert self.connection is not None
        if self.erasing and not self.erased:
            self.connection.say('{"type":"erase"}')
        elif self.leaving and not self.left:
            self.connection.say('{"type":"goodbye"}')
        elif not self.confirmed:
            self.connection.say(json.dumps({"type": "consent", "answer": self.answer.value, "text": "1"}))

    def _connect(self, now: float) -> None:
        if now < self.offline_until_s or now < self.quiet_until_s:
            return
        self.failures += 1
        self.quiet_until_s = now + min(RETRY_MOST_S, 2.0 ** min(self.failures - 1, 4)) * self.dice.uniform(0.5, 1.5)
        made = self.concert.connect(self)
        if made is not None:
            self.connection, self.ready = made, False
            made.open()

    def _drop(self, *, hang_up: bool) -> None:
        if self.connection is not None and hang_up:
            self.connection.hang_up()
        self.connection, self.ready = None, False

    # --- what it is told ---------------------------------------------------------------------------------------

    def connected(self, connection: Connection) -> None:
        """The websocket is open: say hello."""
        if connection is not self.connection:
            return
        stream = self.stream
        self.owed_skip = None  # the hello's lowest number says it
        hello: dict[str, Any] = {
            "type": "hello", "version": 1, "seat": self.token, "stream": f"{stream.number:x}",
            "lowest": stream.delivery.lowest,
            "channels": [
                {"name": c.name, "rate_hz": c.rate_hz, "unit": c.unit, "scale": c.scale, "offset": c.offset}
                for c in self.signals.channels
            ],
        }  # fmt: skip
        if self.said_yes:
            hello["consent"] = {"answer": "yes", "text": "1"}
        connection.say(json.dumps(hello))

    def closed(self, connection: Connection, code: int) -> None:
        """The relay has closed."""
        if connection is not self.connection:
            return
        self._drop(hang_up=False)
        if code in (4004, 1000):  # erased, or done
            self.off = self.off or self.erased or self.left or code == 4004

    def told(self, connection: Connection, text: str) -> None:
        """A message from the relay."""
        if connection is not self.connection:
            return
        body = json.loads(text)
        handler = getattr(self, f"_on_{body['type']}", None)
        if handler is not None:
            handler(body)

    def _on_welcome(self, body: dict[str, Any]) -> None:
        self.failures, self.heard_s = 0, self._now()
        self.quiet_until_s = 0.0
        if self.bus and self.bus != body["bus"]:
            self._rewind()
        self.bus = body["bus"] or self.bus
        self.stream.delivery.connected()
        if body["consent"]["given"]:
            self.ready = self.said_yes = True
            self.confirmed = self.confirmed and self.answer is Answer.YES
        elif self.connection is not None and not self.confirmed:
            said = "no" if self.declines else self.answer.value
            self.connection.say(json.dumps({"type": "consent", "answer": said, "text": "1"}))
            self.ready = not self.declines
        else:
            self.ready = not self.declines

    def _on_bus(self, body: dict[str, Any]) -> None:
        if self.bus != body["bus"]:
            self._rewind()
            self.bus = body["bus"]

    def _rewind(self) -> None:
        self.stream.delivery.rewind(KEPT)
        self.stream.rewound_s = self._now()

    def _on_ack(self, body: dict[str, Any]) -> None:
        stream, now = self.stream, self._now()
        self.heard_s = now
        before = stream.delivery.lowest
        stream.delivery.acknowledge(body["next"])
        for number in range(before, stream.delivery.lowest):
            if number not in stream.skipped:
                stream.acknowledged.setdefault(number, now)

    def _on_consent(self, body: dict[str, Any]) -> None:
        self.heard_s = self._now()
        self.said_yes = body["answer"] == "yes"
        if body["answer"] == self.answer.value:
            self.confirmed = True

    def _on_later(self, body: dict[str, Any]) -> None:
        self.quiet_until_s = self._now() + body["retry_s"]
        if "from" in body:
            self.stream.delivery.back(body["from"])

    def _on_error(self, body: dict[str, Any]) -> None:
        self.concert.refusals.append((self.seat, body))
        if body["code"] == "erased":
            self.erased = True

    def _on_erased(self, _body: dict[str, Any]) -> None:
        self.erased = True

    def _on_goodbye(self, _body: dict[str, Any]) -> None:
        self.left = True

"""The session as data: states, events, the transition table, refusals, actions and what sessions share. Pure.

:data:`TABLE` is the whole of a connection's life: for each state, what each event does (a rule of
:class:`relay.session.Session`, by its name) and where it leads. :data:`REFUSALS` names every refusal with its one
answer. PROTOCOL.md prints both, and a test compares them.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from typing import NamedTuple

from relay.entries import Control
from relay.hello import ChannelLists
from relay.layouts import Layouts
from relay.parts import FIRST_PART
from relay.seat_card import Keyring
from relay.wire import MAX_PACKET_BYTES

HELLO_WITHIN_MS = 5_000  # a phone has its hello ready before it connects
CLOSING_WITHIN_MS = 3_000  # the bus answers in 0.5 s or is away; then the phone comes back and says it again
ACK_EVERY_MS = 1_000
ACK_EVERY_PACKETS = 8
MAX_AHEAD = 4_096  # packets beyond the lowest unacknowledged: 17 min at 4 a second
MAX_SKIPS = 64  # separate skipped ranges ahead of the lowest unacknowledged
MAX_REFUSED = 32  # refused messages of one connection before it is closed
RING_S = 15.0  # what a phone keeps of acknowledged packets (contract 6)
BACKLOG_PACE = 4.0  # a returning phone sends its backlog at most this many times faster than it measures
CLOSING_RETRY_S = 2.0
REPLACED = 4005  # close code: a newer connection of the same listener
MAX_ERASED = 20_000  # tombstones kept; at the bound the oldest goes and is counted
LATER_EVERY_MS = 1_000  # how often one phone is told that the backlog is full


class State(enum.Enum):
    """Where a connection stands."""

    HELLO = "awaiting hello"
    CONSENT = "awaiting consent"
    STREAMING = "streaming"
    DECLINED = "declined"
    CLOSING = "closing"
    CLOSED = "closed"


class Event(enum.Enum):
    """What can happen to a connection."""

    HELLO = "hello"
    HELLO_YES = "hello with consent"
    YES = "consent yes"
    NO = "consent no"
    SAMPLES = "samples"
    SKIP = "skip"
    ERASE = "erase"
    GOODBYE = "goodbye"
    ACCEPTED = "packet accepted"
    WRITTEN = "entry accepted"
    LAST = "last entry accepted"
    TIMEOUT = "time-out"
    LOST = "connection lost"


class Step(NamedTuple):
    """What an event does (a rule of :class:`Session`, by its name) and the state it leads to."""

    rule: str
    to: State


TABLE: dict[State, dict[Event, Step]] = {
    State.HELLO: {
        Event.HELLO: Step("welcome", State.CONSENT),
        Event.HELLO_YES: Step("welcome and join", State.STREAMING),
        Event.TIMEOUT: Step("close as slow", State.CLOSED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.CONSENT: {
        Event.YES: Step("join", State.STREAMING),
        Event.NO: Step("withdraw if a yes came before", State.DECLINED),
        Event.SAMPLES: Step("refuse: consent", State.CONSENT),
        Event.SKIP: Step("refuse: consent", State.CONSENT),
        Event.ERASE: Step("erase", State.CLOSING),
        Event.GOODBYE: Step("say goodbye", State.CLOSED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.STREAMING: {
        Event.YES: Step("answer", State.STREAMING),
        Event.NO: Step("withdraw", State.DECLINED),
        Event.SAMPLES: Step("take", State.STREAMING),
        Event.SKIP: Step("take skip", State.STREAMING),
        Event.ERASE: Step("erase", State.CLOSING),
        Event.GOODBYE: Step("depart", State.CLOSING),
        Event.ACCEPTED: Step("count", State.STREAMING),
        Event.WRITTEN: Step("confirm", State.STREAMING),
        Event.LOST: Step("vanish", State.CLOSED),
    },
    State.DECLINED: {
        Event.YES: Step("join", State.STREAMING),
        Event.NO: Step("withdraw if a yes came before", State.DECLINED),
        Event.SAMPLES: Step("refuse: consent", State.DECLINED),
        Event.SKIP: Step("refuse: consent", State.DECLINED),
        Event.ERASE: Step("erase", State.CLOSING),
        Event.GOODBYE: Step("say goodbye", State.CLOSED),
        Event.ACCEPTED: Step("count", State.DECLINED),
        Event.WRITTEN: Step("confirm", State.DECLINED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.CLOSING: {
        Event.ACCEPTED: Step("count", State.CLOSING),
        Event.WRITTEN: Step("confirm", State.CLOSING),
        Event.LAST: Step("finish", State.CLOSED),
        Event.TIMEOUT: Step("close as later", State.CLOSED),
        Event.LOST: Step("nothing", State.CLOSED),
    },
    State.CLOSED: {},
}
"""What is not in a state's row: in closing and closed it is ignored; elsewhere it is refused as ``order``."""


class Refused(NamedTuple):
    """A refusal's answer: the close code, or None when the connection goes on; and what it means."""

    close: int | None
    meaning: str


REFUSALS: dict[str, Refused] = {
    "json": Refused(1007, "a text message that is not one JSON object"),
    "size": Refused(1009, f"a message over {MAX_PACKET_BYTES} bytes"),
    "type": Refused(None, "a JSON object whose type this version does not know"),
    "protocol": Refused(4002, "a hello of a version this relay does not speak"),
    "hello": Refused(4003, "a hello with a field that cannot be used"),
    "seat": Refused(4001, "a seat token that does not admit"),
    "erased": Refused(4004, "a listener who asked to be erased this evening"),
    "order": Refused(1008, "a message that this state does not expect"),
    "consent": Refused(None, "samples or a skip without a yes: not taken"),
    "field": Refused(None, "a consent or skip with a field that cannot be used: not taken"),
    "slow": Refused(1008, f"no hello within {HELLO_WITHIN_MS // 1000} s"),
    "version": Refused(None, "a packet of an unknown version: not taken"),
    "length": Refused(None, "a packet whose length is not what its counts say: not taken"),
    "blocks": Refused(None, "a packet with no block, more than 16, or flags that are not 0: not taken"),
    "format": Refused(None, "a block of an unknown format or of a channel that the hello did not name: not taken"),
    "count": Refused(None, "a block of no sample or more than 1,024: not taken"),
    "time": Refused(None, "a phone time of 2**62 us or more, or a block offset over 10 s: not taken"),
    "ahead": Refused(None, f"a packet or skip more than {MAX_AHEAD} numbers beyond the lowest unacknowledged"),
    "refusals": Refused(1008, f"more than {MAX_REFUSED} refused messages on one connection"),
}


@dataclass(frozen=True, slots=True)
class Send:
    """Send this text message."""

    text: str


@dataclass(frozen=True, slots=True)
class Write:
    """Put this control entry on the listener's shard, behind everything already there."""

    event: Control


@dataclass(frozen=True, slots=True)
class Samples:
    """Put this packet on the listener's shard."""

    sequence: int
    raw: bytes
    arrival_ms: float


@dataclass(frozen=True, slots=True)
class Close:
    """Close the connection with this code."""

    code: int
    reason: str


Action = Send | Write | Samples | Close


@dataclass(slots=True)
class House:
    """What all sessions of a relay share; the shell keeps it current. ``erased`` refuses listeners of the evening."""

    keyring: Keyring
    evening: str
    labels: tuple[str, ...] = ()
    opens_s: float = float("-inf")
    closes_s: float = float("inf")
    revoked: frozenset[tuple[int, int]] = frozenset()
    consent_text: str = "1"
    part: str = FIRST_PART
    bus_id: str = ""
    unix_offset_ms: float = 0.0
    erased: dict[int, None] = field(default_factory=dict)
    layouts: Layouts = field(default_factory=Layouts)
    channel_lists: ChannelLists = field(default_factory=ChannelLists)
    refused: dict[str, int] = field(default_factory=lambda: dict.fromkeys(REFUSALS, 0))
    tombstones_dropped: int = 0

    def erase(self, listener: int) -> None:
        """Refuse this listener for the rest of the evening."""
        if len(self.erased) >= MAX_ERASED and listener not in self.erased:
            del self.erased[next(iter(self.erased))]
            self.tombstones_dropped += 1
        self.erased[listener] = None

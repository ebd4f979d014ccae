"""Where a simulated phone's connection stands, where it leads, and what is counted of all of them. Pure."""

from __future__ import annotations

import enum
import ssl
from dataclasses import dataclass, field


class Standing(enum.IntEnum):
    """Where a phone's connection stands."""

    OFF = 0
    CONNECTING = 1
    UPGRADING = 2
    GREETING = 3
    STREAMING = 4
    REFUSED = 5


# plain numbers: reading a member of an enumeration costs a third of a microsecond, and it is done for every packet
OFF, CONNECTING, UPGRADING, GREETING, STREAMING, REFUSED = (int(standing) for standing in Standing)


@dataclass(slots=True)
class Target:
    """Where phones connect: an address, what the handshake names, TLS when the house has it, our own addresses."""

    host: str
    port: int
    path: str
    tls: ssl.SSLContext | None = None
    sources: tuple[str, ...] = ()

    def source(self, phone: int) -> str | None:
        """The address that a phone connects from: its own on loopback (127.0.0.0/8), else ours in turn."""
        if self.host.startswith("127."):
            number = phone + 2
            return f"127.{1 + (number >> 16) % 250}.{(number >> 8) & 255}.{number & 255}"
        return self.sources[phone % len(self.sources)] if self.sources else None


@dataclass(slots=True)
class Counts:
    """Monotone counts of one process."""

    connects: int = 0
    connect_failures: int = 0
    own_faults: int = 0
    welcomes: int = 0
    cuts: int = 0
    packets: int = 0
    bytes: int = 0
    resent: int = 0
    acks: int = 0
    acknowledged: int = 0
    skipped: int = 0
    blocked: int = 0
    refused: int = 0
    errors: dict[str, int] = field(default_factory=dict)

    def error(self, name: str) -> None:
        self.errors[name] = self.errors.get(name, 0) + 1

"""Why one real phone did not hold: causes by key, each with what to do; the page picks the key. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loadtest.check_line import Line, State, fails, look, ok

NAME = "phone"
STEPS = ("reached", "resolve", "certificate", "join", "hold")

#: key -> (what is wrong, what to do); causes of what phones and Wi-Fi do are common practice unless relay/PROTOCOL.md
#: says so.
CAUSES: dict[str, tuple[str, str]] = {
    "token": (
        "the address was opened without its last part, the test card",
        "open the whole address that the terminal shows, or its square code",
    ),
    "name": (
        "the phone's network does not know the house's name, though its address answers",
        "enter the name in the name service that the phones' Wi-Fi hands out, or use the address",
    ),
    "port": (
        "the machine answers, but not on the phones' port",
        "start the house; let its port through this machine's firewall",
    ),
    "way": (
        "no way leads from this phone to the house",
        "is the phone on the hall's Wi-Fi? Does that Wi-Fi keep its clients from other machines (client isolation)?",
    ),
    "certificate": (
        "the phone does not accept the house's certificate",
        "name, dates and whole chain must fit: `ripieno check --url wss://…` says which does not",
    ),
    "mixed": (
        "this page is encrypted and the phones' address is not: browsers forbid that",
        "put TLS in front of the relay (--url wss://…), or open this page without it",
    ),
    "websocket": (
        "the port answers, but no websocket opens",
        "a proxy in between must pass websockets on (Upgrade); does the address end in /phone?",
    ),
    "card": (
        "the house refuses the test card",
        "keyring and evening of this check must be the running house's: same settings, same files",
    ),
    "full": (
        "the house says to come back later: full, or its bus is away",
        "look at the lines of `ripieno check` and at the relay's log",
    ),
    "acknowledgement": (
        "the phone joined, but nothing is acknowledged",
        "the bus does not accept: look at the lines of `ripieno check`",
    ),
    "second": (
        "another phone has taken this card",
        "one phone at a time; start `ripieno check --phone` again for another card",
    ),
    "hidden": (
        "the page was hidden: screen locked, or another app in front",
        "let it lie open with the screen on; tell listeners so, and set the screen's time-out longer",
    ),
    "mobile": (
        "the phone left the Wi-Fi for mobile data",
        "switch off its 'use mobile data when Wi-Fi is weak'; give the Wi-Fi a way to the internet, or tell the phone "
        "to stay on it without",
    ),
    "away": (
        "the phone lost this page and the house together, though it still had a network: most likely mobile data",
        "switch off its 'use mobile data when Wi-Fi is weak'; is the access point in reach from this seat?",
    ),
    "offline": (
        "the phone lost the Wi-Fi",
        "hold it where listeners sit: is the access point in reach, and has it places left for more phones?",
    ),
    "silence": (
        "the Wi-Fi stood still for seconds without breaking",
        "another channel, fewer phones an access point, 5 GHz rather than 2.4; then try again on this seat",
    ),
    "dropped": (
        "the connection was cut while phone and Wi-Fi stayed",
        "a proxy's or firewall's idle limit? The relay's log and /metrics tell its closes by code",
    ),
    "left": (
        "the page was closed before the time was over",
        "open the address again and let it lie",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PhoneResult:
    """What one phone reports: ``cause`` a key of CAUSES or "", counts, and the longest silence in seconds."""

    cause: str
    seconds: float
    reconnects: int
    silence_s: float
    hidden: int
    secure: bool


def read(body: Mapping[str, Any]) -> PhoneResult:
    """A phone's report, every field checked: it comes from outside. Raises ValueError."""
    cause = body.get("cause")
    numbers = [body.get(key) for key in ("seconds", "reconnects", "silence_s", "hidden")]
    if not isinstance(cause, str) or (cause and cause not in CAUSES):
        raise ValueError("cause")
    good = (isinstance(n, int | float) and not isinstance(n, bool) and 0 <= n < 1e6 for n in numbers)
    if not all(good) or not isinstance(body.get("secure"), bool):
        raise ValueError("numbers")
    seconds, reconnects, silence_s, hidden = (float(n or 0) for n in numbers)
    return PhoneResult(cause, seconds, int(reconnects), silence_s, int(hidden), bool(body["secure"]))


def judge(result: PhoneResult) -> Line:
    """The terminal's line for one phone."""
    counts = (
        f"{result.seconds:.0f} s, {result.reconnects} reconnections, longest silence {result.silence_s:.1f} s, "
        f"hidden {result.hidden} times"
    )
    if result.cause:
        what, do = CAUSES[result.cause]
        return fails(NAME, f"{what} ({counts})", do)
    if not result.secure:
        return look(
            NAME, f"held: {counts}; not over an encrypted address",
            "enough for sensor apps; a sensor page in a browser needs https and wss",
        )  # fmt: skip
    return ok(NAME, f"held: {counts}")


def verdict(lines: list[Line]) -> int:
    """Exit code of a round of phones: 1 when one failed."""
    return int(any(line.state is State.FAILS for line in lines))

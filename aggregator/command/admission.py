"""Who may come in, as evening.toml says it: cards' hours, cards retired, and the certificate of the phones' port."""

from __future__ import annotations

import ssl
from datetime import datetime

from relay.seat_card import MAX_GENERATION, MAX_SEAT


def moment_s(text: str) -> float:
    """Unix seconds of an ISO 8601 date and time with its offset from UTC. Raises ValueError."""
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:  # this machine's zone may be another than the hall's
        raise ValueError("no offset from UTC")
    return found.timestamp()


def is_moment(text: str) -> bool:
    """Whether :func:`moment_s` reads it; empty is none."""
    try:
        return not text or bool(moment_s(text))
    except ValueError:
        return False


def retired(text: str) -> tuple[int, int]:
    """``SEAT:GENERATION``: this printing of that seat's card, and every earlier one. Raises ValueError."""
    seat, _, generation = text.partition(":")
    if not (seat.isascii() and seat.isdigit() and generation.isascii() and generation.isdigit()):
        raise ValueError("not SEAT:GENERATION")
    if not 1 <= int(seat) <= MAX_SEAT or int(generation) > MAX_GENERATION:
        raise ValueError("no such seat or generation")
    return int(seat), int(generation)


def are_retired(texts: tuple[str, ...]) -> bool:
    """Whether :func:`retired` reads them all."""
    try:
        return all(retired(text) for text in texts)
    except ValueError:
        return False


def tls_context(certificate: str, key: str) -> ssl.SSLContext:
    """What the phones' port shows: a certificate with its chain, and its key, both PEM. Raises OSError (ssl.SSLError is
    one) for files that cannot be read or do not belong together."""
    made = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    made.load_cert_chain(certificate, key, password="")  # an encrypted key is an error, never a question to nobody
    return made

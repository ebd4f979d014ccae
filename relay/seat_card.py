"""Seat cards: opaque tokens, the keyring that signs them, and the pseudonym of the evening. Pure.

A token is 16 letters of base 32 (digits and capitals without I, L, O and U; either case is read): 6 bytes of
HMAC-SHA256 over evening and payload, then the 4-byte payload hidden by a key stream made from those 6 bytes (a
synthetic initialisation vector, the manner of RFC 5297 built from HMAC: equal cards are equal letters, and nothing of
seat or role shows). A guess succeeds once in 2**48; the relay's budgets bound how many can be tried.

Payload, 32 bits: role 2, generation 10, seat 20.

Errors: :class:`TokenError` with a ``reason``; :class:`KeyringError` for a keyring file that cannot be used.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import os
from collections.abc import Collection
from dataclasses import dataclass

ROLES = ("audience", "performer", "test", "blank")
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_LETTERS = frozenset(ALPHABET)
TOKEN_LETTERS = 16
MAX_SEAT = (1 << 20) - 1
MAX_GENERATION = (1 << 10) - 1
KEY_BYTES = 32
MAX_KEYS = 8  # every key is tried on each card: a rotation a day keeps a week's cards
_TAG_BYTES, _PAYLOAD_BYTES = 6, 4
_STANDARD = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
_TO_DIGITS = str.maketrans(ALPHABET, "0123456789ABCDEFGHIJKLMNOPQRSTUV")  # as int(letters, 32) reads them
_FROM_STANDARD = str.maketrans(_STANDARD, ALPHABET)
_MISREAD = str.maketrans("OIL", "011")  # what a hand copying a card mistakes


class TokenError(ValueError):
    """A token that does not admit. ``reason``: ``shape``, ``check``, ``evening``, ``expired`` or ``revoked``."""

    def __init__(self, reason: str) -> None:
        super().__init__(f"seat card refused: {_REASONS[reason]}")
        self.reason = reason


_REASONS = {
    "shape": f"a card has {TOKEN_LETTERS} letters and digits, without I, L, O and U",
    "check": "it was not issued with this house's keys for this evening",
    "evening": "it was issued for another evening",
    "expired": "the evening has not opened yet or is over",
    "revoked": "a newer card replaces it",
}


class KeyringError(ValueError):
    """A keyring text that cannot be used; the message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True, repr=False)
class Keyring:
    """Secret keys by id: ``current`` signs, all verify. Destroying it ends re-identification (contract 15)."""

    current: str
    keys: dict[str, bytes]

    def __post_init__(self) -> None:
        if self.current not in self.keys:
            raise KeyringError(f"keyring: current key {self.current!r} is not among its {len(self.keys)} keys")
        if not 0 < len(self.keys) <= MAX_KEYS:
            raise KeyringError(f"keyring: found {len(self.keys)} keys, allowed 1..{MAX_KEYS}")
        for name, key in self.keys.items():
            if len(key) != KEY_BYTES:
                raise KeyringError(f"keyring: key {name!r} has {len(key)} bytes, needed {KEY_BYTES}")

    def __repr__(self) -> str:
        return f"Keyring(current={self.current!r}, {len(self.keys)} keys)"  # never the secret, not even in a log

    @classmethod
    def generate(cls) -> Keyring:
        """A keyring with one fresh key from the operating system's random source."""
        return cls("1", {"1": os.urandom(KEY_BYTES)})

    def rotated(self) -> Keyring:
        """A keyring that signs with a fresh key and still verifies the cards of the newest ``MAX_KEYS - 1`` others."""
        fresh = str(max((int(name) for name in self.keys if name.isdigit()), default=0) + 1)
        kept = dict(list(self.keys.items())[-(MAX_KEYS - 1) :])
        return Keyring(fresh, {**kept, fresh: os.urandom(KEY_BYTES)})

    def dump(self) -> str:
        """The keyring file's text: JSON, keys as base 64."""
        keys = {name: base64.b64encode(key).decode() for name, key in self.keys.items()}
        return json.dumps({"current": self.current, "keys": keys}, indent=1) + "\n"

    @classmethod
    def load(cls, text: str) -> Keyring:
        """The keyring in a file's text. Raises KeyringError."""
        try:
            body = json.loads(text)
            keys = {str(name): base64.b64decode(key, validate=True) for name, key in body["keys"].items()}
            current = str(body["current"])
        except (ValueError, KeyError, TypeError, AttributeError, binascii.Error) as error:
            raise KeyringError(f"keyring unreadable: {error}") from error
        return cls(current, keys)


@dataclass(frozen=True, slots=True)
class SeatClaim:
    """What a card says: the seat (1..), the role of its bearer, and which printing of that seat's card it is."""

    seat: int
    role: str
    generation: int


def issue(keyring: Keyring, evening: str, seat: int, role: str = "audience", generation: int = 0) -> str:
    """The token for one seat. Raises ValueError when seat, role or generation is outside its range."""
    if not 0 <= seat <= MAX_SEAT or not 0 <= generation <= MAX_GENERATION or role not in ROLES:
        raise ValueError(
            f"seat card: found seat {seat}, generation {generation}, role {role!r}, "
            f"allowed 0..{MAX_SEAT}, 0..{MAX_GENERATION}, {', '.join(ROLES)}"
        )
    payload = (ROLES.index(role) << 30 | generation << 20 | seat).to_bytes(_PAYLOAD_BYTES, "big")
    key = keyring.keys[keyring.current]
    tag = _tag(key, evening, payload)
    raw = tag + _hidden(key, tag, payload)
    return base64.b32encode(raw).decode().translate(_FROM_STANDARD)


def normalised(token: str) -> str:
    """The token as issued: capitals, without spaces and hyphens, misread letters put right. Raises TokenError."""
    if len(token) > 4 * TOKEN_LETTERS:  # before any work on it
        raise TokenError("shape")
    letters = token.upper().replace("-", "").replace(" ", "").translate(_MISREAD)
    if len(letters) != TOKEN_LETTERS or not _LETTERS.issuperset(letters):
        raise TokenError("shape")
    return letters


def admit(
    keyring: Keyring,
    evening: str,
    token: str,
    now_s: float,
    *,
    opens_s: float = float("-inf"),
    closes_s: float = float("inf"),
    revoked: Collection[tuple[int, int]] = (),
    other_evenings: Collection[str] = (),
) -> tuple[SeatClaim, int]:
    """What the token claims, if it holds at Unix time ``now_s``, and its listener's :func:`pseudonym`.

    The check takes the same time for every wrong token: each key is tried and compared in constant time.

    Args:
        opens_s, closes_s: the evening's window in Unix seconds.
        revoked: pairs (seat, generation); every printing up to that generation of that seat is refused.
        other_evenings: names to try only to say ``evening`` instead of ``check``.

    Raises:
        TokenError: reasons shape, check, evening, expired, revoked, in this order.
    """
    letters = normalised(token)
    raw = _raw(letters)
    payload, key = _open(keyring, evening, raw)
    if payload is None or key is None:
        elsewhere = any(_open(keyring, other, raw)[0] is not None for other in other_evenings)
        raise TokenError("evening" if elsewhere else "check")
    if not opens_s <= now_s < closes_s:
        raise TokenError("expired")
    word = int.from_bytes(payload, "big")
    claim = SeatClaim(word & MAX_SEAT, ROLES[word >> 30], word >> 20 & MAX_GENERATION)
    if any(seat == claim.seat and claim.generation <= generation for seat, generation in revoked):
        raise TokenError("revoked")
    return claim, _pseudonym(key, evening, letters)


def pseudonym(keyring: Keyring, evening: str, token: str) -> int:
    """The listener of the evening: 64 bits, never 0, the same at every relay that holds the keyring.

    A keyed hash of evening and token under the key that issued the token, so that a rotation does not change it.
    Raises TokenError for a token that no key of the ring issued for this evening.
    """
    letters = normalised(token)
    _, key = _open(keyring, evening, _raw(letters))
    if key is None:
        raise TokenError("check")
    return _pseudonym(key, evening, letters)


def _pseudonym(key: bytes, evening: str, letters: str) -> int:
    digest = hmac.digest(key, b"ripieno pseudonym\0" + _named(evening) + letters.encode(), hashlib.sha256)
    return int.from_bytes(digest[:8], "big") or 1


def shard_of(listener: int, shards: int) -> int:
    """The shard that a listener belongs to; pseudonyms are hashes already, so the remainder spreads them evenly."""
    return listener % shards


def _raw(letters: str) -> bytes:
    return int(letters.translate(_TO_DIGITS), 32).to_bytes(_TAG_BYTES + _PAYLOAD_BYTES, "big")


def _named(evening: str) -> bytes:
    """The evening's name with its length, so that no two evenings' messages can be read into each other."""
    name = evening.encode()
    return len(name).to_bytes(2, "big") + name


def _tag(key: bytes, evening: str, payload: bytes) -> bytes:
    return hmac.digest(key, b"ripieno card\0" + _named(evening) + payload, hashlib.sha256)[:_TAG_BYTES]


def _hidden(key: bytes, tag: bytes, payload: bytes) -> bytes:
    """The payload under the tag's key stream; its own inverse."""
    stream = hmac.digest(key, b"ripieno veil\0" + tag, hashlib.sha256)
    hidden = int.from_bytes(payload, "big") ^ int.from_bytes(stream[:_PAYLOAD_BYTES], "big")
    return hidden.to_bytes(_PAYLOAD_BYTES, "big")


def _open(keyring: Keyring, evening: str, raw: bytes) -> tuple[bytes | None, bytes | None]:
    """Payload and the key that made it, or (None, None). Tries every key whatever it finds."""
    tag = raw[:_TAG_BYTES]
    found: tuple[bytes | None, bytes | None] = (None, None)
    for key in keyring.keys.values():
        payload = _hidden(key, tag, raw[_TAG_BYTES:])
        if hmac.compare_digest(tag, _tag(key, evening, payload)):
            found = (payload, key)
    return found

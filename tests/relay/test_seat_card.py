"""Seat cards: only issued letters admit, in their window, for their evening; pseudonyms are stable and unlinkable."""

from __future__ import annotations

import hashlib
import hmac
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relay.seat_card import (
    ALPHABET,
    KEY_BYTES,
    MAX_KEYS,
    MAX_SEAT,
    ROLES,
    Keyring,
    KeyringError,
    SeatClaim,
    TokenError,
    admit,
    issue,
    pseudonym,
    shard_of,
)

RING = Keyring("1", {"1": bytes(range(32))})
NOW_S = 1_000.0


def verify(ring: Keyring, evening: str, token: str, now_s: float, **more: Any) -> SeatClaim:
    """What a card claims; who its listener is must be what :func:`pseudonym` says."""
    claim, listener = admit(ring, evening, token, now_s, **more)
    assert listener == pseudonym(ring, evening, token)
    return claim


@given(st.integers(0, MAX_SEAT), st.sampled_from(ROLES), st.integers(0, 1023))
def test_an_issued_card_says_what_it_was_issued_for(seat: int, role: str, generation: int) -> None:
    token = issue(RING, "first night", seat, role, generation)
    assert len(token) == 16
    assert set(token) <= set(ALPHABET)
    for written in (token, token.lower(), f" {token[:4]}-{token[4:8]} {token[8:]}"):
        assert verify(RING, "first night", written, NOW_S) == SeatClaim(seat, role, generation)
        assert pseudonym(RING, "first night", written) == pseudonym(RING, "first night", token)


def test_misread_letters_are_put_right() -> None:
    token = next(t for seat in range(1, 500) if {"0", "1"} <= set(t := issue(RING, "e", seat)))
    misread = token.replace("0", "O").replace("1", "l")
    assert verify(RING, "e", misread, NOW_S) == verify(RING, "e", token, NOW_S)


@given(st.integers(0, 79), st.integers(1, 1000))
def test_one_changed_bit_is_refused(bit: int, seat: int) -> None:
    letters = [ALPHABET.index(letter) for letter in issue(RING, "e", seat)]
    letters[bit // 5] ^= 1 << bit % 5
    with pytest.raises(TokenError) as caught:
        verify(RING, "e", "".join(ALPHABET[k] for k in letters), NOW_S)
    assert caught.value.reason == "check"


@given(st.text(max_size=100))
def test_any_text_is_refused_and_never_anything_else(text: str) -> None:
    with pytest.raises(TokenError) as caught:
        verify(RING, "e", text, NOW_S)
    assert caught.value.reason in ("shape", "check")
    with pytest.raises(TokenError):
        pseudonym(RING, "e", text)


def test_each_reason() -> None:
    token = issue(RING, "monday", 12, generation=3)

    def reason(evening: str, now_s: float = NOW_S, **more: object) -> str:
        with pytest.raises(TokenError) as caught:
            verify(RING, evening, token, now_s, **more)
        return caught.value.reason

    assert reason("tuesday") == "check"
    assert reason("tuesday", other_evenings=["sunday", "monday"]) == "evening"
    assert reason("monday", 5.0, opens_s=10.0) == "expired"
    assert reason("monday", 20.0, opens_s=10.0, closes_s=20.0) == "expired"
    assert reason("monday", revoked={(12, 3)}) == "revoked"
    assert reason("monday", revoked={(12, 4)}) == "revoked"
    assert verify(RING, "monday", token, 19.9, opens_s=10.0, closes_s=20.0, revoked={(12, 2), (13, 9)}).seat == 12


def test_tokens_show_nothing_of_their_seat() -> None:
    tokens = [issue(RING, "e", seat) for seat in range(1, 201)]
    for place in range(16):  # neighbouring seats share no letter more often than chance would
        same = sum(a[place] == b[place] for a, b in pairwise(tokens))
        assert same < 25  # 199 pairs, expected 6.2, standard deviation 2.5


def test_the_tag_is_hmac_sha256_as_the_docstring_says() -> None:
    """Written out once more from the module's docstring, with the standard library only."""
    seat, role, generation, evening = 77, "performer", 2, "e"
    payload = (1 << 30 | generation << 20 | seat).to_bytes(4, "big")
    key = RING.keys["1"]
    tag = hmac.new(key, b"ripieno card\0" + b"\0\1e" + payload, hashlib.sha256).digest()[:6]
    veil = hmac.new(key, b"ripieno veil\0" + tag, hashlib.sha256).digest()[:4]
    number = int.from_bytes(tag + bytes(a ^ b for a, b in zip(payload, veil, strict=True)), "big")
    letters = "".join(ALPHABET[number >> 5 * k & 31] for k in reversed(range(16)))
    assert issue(RING, evening, seat, role, generation) == letters


def test_rotation_keeps_cards_and_pseudonyms() -> None:
    token = issue(RING, "e", 5)
    listener = pseudonym(RING, "e", token)
    ring = RING
    for _ in range(MAX_KEYS - 1):
        ring = ring.rotated()
        assert verify(ring, "e", token, NOW_S).seat == 5
        assert pseudonym(ring, "e", token) == listener
    assert issue(ring, "e", 5) != token
    with pytest.raises(TokenError):  # the oldest key has left the ring
        verify(ring.rotated(), "e", token, NOW_S)


def test_pseudonyms_differ_by_evening_card_and_house() -> None:
    other = Keyring.generate()
    made = {
        pseudonym(RING, "e", issue(RING, "e", 5)),
        pseudonym(RING, "f", issue(RING, "f", 5)),
        pseudonym(RING, "e", issue(RING, "e", 5, generation=1)),
        pseudonym(other, "e", issue(other, "e", 5)),
    }
    assert len(made) == 4
    assert all(0 < listener < 2**64 for listener in made)


def test_the_keyring_file() -> None:
    ring = Keyring.generate().rotated()
    assert Keyring.load(ring.dump()) == ring
    assert len(ring.keys[ring.current]) == KEY_BYTES
    assert ring.keys[ring.current].hex() not in repr(ring)


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"current":"1","keys":{}}', '{"current":"2","keys":{"1":"AAAA"}}',
     '{"current":"1","keys":{"1":"AAAA"}}', '{"current":"1","keys":{"1":"***"}}', '{"current":"1","keys":[]}',
     '{"current":"1","keys":{"1":5}}'],
)  # fmt: skip
def test_an_unusable_keyring_is_one_error(text: str) -> None:
    with pytest.raises(KeyringError):
        Keyring.load(text)


@pytest.mark.parametrize(
    ("seat", "role", "generation"), [(-1, "audience", 0), (1 << 20, "test", 0), (1, "x", 0), (1, "blank", 1024)]
)
def test_issue_refuses_what_does_not_fit(seat: int, role: str, generation: int) -> None:
    with pytest.raises(ValueError, match="allowed"):
        issue(RING, "e", seat, role, generation)


def test_shards_are_even() -> None:
    counts = [0] * 16
    for seat in range(1, 2001):
        counts[shard_of(pseudonym(RING, "e", issue(RING, "e", seat)), 16)] += 1
    assert min(counts) > 80  # expected 125, standard deviation 11
    assert max(counts) < 175

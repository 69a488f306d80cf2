"""Personal links: secrets that are ours and unchanged, and whom each state lets in."""

import base64
import hmac
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.participants.rules.link import (
    BIRTH_DATE_TRIES,
    DAYS,
    RANDOM_BYTES,
    Door,
    LinkFacts,
    door,
    expiry,
    token_digest,
    token_make,
    token_purpose,
)

KEY, OTHER_KEY = b"k" * 32, b"o" * 32
PURPOSES = ("questions", "appointments")
NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
FRESH = LinkFacts(expires_at=NOW + timedelta(days=1))
randoms = st.binary(min_size=RANDOM_BYTES, max_size=RANDOM_BYTES)


def test_a_secret_carries_at_least_128_random_bits() -> None:
    """NIST SP 800-63B, section on secrets drawn at random, asks for 112 bits; OWASP for 128 (from memory)."""
    assert RANDOM_BYTES * 8 >= 128
    with pytest.raises(ValueError, match="18 random bytes"):
        token_make(b"short", KEY, "questions")


@given(randoms, st.sampled_from(PURPOSES))
def test_a_secret_is_read_back_as_what_it_was_made_for(random: bytes, purpose: str) -> None:
    token = token_make(random, KEY, purpose)
    assert token_purpose(token, KEY, PURPOSES) == purpose
    assert token_purpose(token, OTHER_KEY, PURPOSES) is None
    assert token_purpose(token, KEY, [p for p in PURPOSES if p != purpose]) is None
    # The seal is HMAC-SHA-256 (RFC 2104) cut to 96 bits, computed here a second time by hand.
    raw = base64.urlsafe_b64decode(token)
    told = hmac.new(KEY, b"seal\n" + purpose.encode() + b"\n" + random, sha256).digest()
    assert raw == random + told[:12]


@given(randoms, st.integers(0, 39), st.characters(max_codepoint=0x2FF))
def test_any_changed_character_is_refused(random: bytes, place: int, other: str) -> None:
    token = token_make(random, KEY, "questions")
    changed = token[:place] + other + token[place + 1 :]
    assert (token_purpose(changed, KEY, PURPOSES) == "questions") == (changed == token)


@pytest.mark.parametrize("text", ["", "x", "=" * 40, "A" * 39, "A" * 41, "é" * 40, " " * 40])
def test_text_that_is_no_secret_is_refused(text: str) -> None:
    assert token_purpose(text, KEY, PURPOSES) is None


def test_what_is_stored_is_not_the_secret_and_needs_the_key() -> None:
    token = token_make(bytes(range(RANDOM_BYTES)), KEY, "questions")
    stored = token_digest(token, KEY)
    assert len(stored) == 64
    assert token not in stored
    assert stored != token_digest(token, OTHER_KEY) != sha256(token.encode()).hexdigest()


@pytest.mark.parametrize(
    ("facts", "known", "wanted"),
    [
        (FRESH, False, Door.FIRST),
        (FRESH, True, Door.OPEN),
        (replace(FRESH, opened=True), True, Door.OPEN),
        (replace(FRESH, opened=True), False, Door.BIRTH_DATE),
        (replace(FRESH, written=True), False, Door.BIRTH_DATE),
        (replace(FRESH, opened=True, wrong_tries=BIRTH_DATE_TRIES - 1), False, Door.BIRTH_DATE),
        (replace(FRESH, opened=True, wrong_tries=BIRTH_DATE_TRIES), False, Door.CLOSED),
        (replace(FRESH, opened=True, wrong_tries=BIRTH_DATE_TRIES), True, Door.OPEN),
        (replace(FRESH, opened=True, birth_date_known=False), False, Door.CLOSED),
        (replace(FRESH, used=True), True, Door.DONE),
        (replace(FRESH, used=True), False, Door.CLOSED),
    ],
)
def test_whom_a_link_lets_in(facts: LinkFacts, known: bool, wanted: Door) -> None:
    assert door(facts, NOW, known_device=known) is wanted


@given(st.booleans(), st.booleans(), st.booleans(), st.booleans(), st.integers(0, 9))
def test_an_ended_link_opens_for_nobody(
    used: bool, opened: bool, written: bool, known: bool, tries: int
) -> None:
    facts = replace(FRESH, used=used, opened=opened, written=written, wrong_tries=tries)
    ends = [
        (replace(facts, revoked=True), NOW),
        (replace(facts, takes_part=False), NOW),
        (facts, facts.expires_at),
        (facts, facts.expires_at + timedelta(days=400)),
    ]
    for ended, at in ends:
        assert door(ended, at, known_device=known) is Door.CLOSED


def test_a_link_lives_as_long_as_was_chosen() -> None:
    assert [expiry(NOW, days) - NOW for days in DAYS] == [timedelta(days=days) for days in DAYS]
    with pytest.raises(ValueError, match="3, 7, 14, 30 days, not 400"):
        expiry(NOW, 400)

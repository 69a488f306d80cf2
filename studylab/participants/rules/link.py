"""Personal links: how the secret in one is made and read, and whom it lets in.

The secret is 18 random bytes (144 bits) and a 12-byte HMAC-SHA-256 over them and the purpose, so that a link
that was mistyped, tampered with or made for another purpose is refused before anything is looked up. Only a
keyed digest of it is stored: whoever reads the database can open nothing.
"""

import base64
import binascii
import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from hashlib import sha256

RANDOM_BYTES = 18
_SEAL_BYTES = 12
_LENGTH = (RANDOM_BYTES + _SEAL_BYTES) * 4 // 3  # 40 characters, no padding
BIRTH_DATE_TRIES = 5  # wrong birth dates before no further device is let in
DAYS = (3, 7, 14, 30)  # how long a link may stay open
USUAL_DAYS = 14


def token_make(random: bytes, key: bytes, purpose: str) -> str:
    """Return the secret of a link as 40 characters of base64url. `random` must be 18 unguessable bytes."""
    if len(random) != RANDOM_BYTES:
        raise ValueError(f"A link needs {RANDOM_BYTES} random bytes, not {len(random)}.")
    return base64.urlsafe_b64encode(random + _seal(random, key, purpose)).decode("ascii")


def token_purpose(text: str, key: bytes, purposes: Sequence[str]) -> str | None:
    """Return the purpose that this secret was made for; None when it is not one of ours, unchanged."""
    if len(text) != _LENGTH or not text.isascii():
        return None
    try:
        raw = base64.b64decode(text, altchars=b"-_", validate=True)
    except (ValueError, binascii.Error):
        return None
    random, seal = raw[:RANDOM_BYTES], raw[RANDOM_BYTES:]
    fitting = [p for p in purposes if hmac.compare_digest(seal, _seal(random, key, p))]
    return fitting[0] if fitting else None


def token_digest(text: str, key: bytes) -> str:
    """Return what is stored of a secret: HMAC-SHA-256 in 64 hexadecimal characters."""
    return hmac.new(key, b"stored\n" + text.encode(), sha256).hexdigest()


def _seal(random: bytes, key: bytes, purpose: str) -> bytes:
    return hmac.digest(key, b"seal\n" + purpose.encode() + b"\n" + random, "sha256")[:_SEAL_BYTES]


class Door(StrEnum):
    """What a link does for whoever shows it."""

    OPEN = "open"  # a device that was let in before
    FIRST = "first"  # nobody has opened it yet and nothing is written behind it
    BIRTH_DATE = "birth_date"  # another device: it must know the birth date
    DONE = "done"  # used, seen again from the same device: only that it was sent
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """What is known of one link. `written` says that something of the person's would be shown behind it."""

    expires_at: datetime
    revoked: bool = False
    used: bool = False
    takes_part: bool = True
    opened: bool = False
    written: bool = False
    wrong_tries: int = 0
    birth_date_known: bool = True


def door(facts: LinkFacts, now: datetime, *, known_device: bool) -> Door:
    """Return what the link does at `now` for a device that was let in before, or for another one.

    The moment of expiry is outside. A link that was forwarded shows nothing without the birth date, and
    after `BIRTH_DATE_TRIES` wrong ones it lets no further device in; the first device stays in.
    """
    if facts.revoked or not facts.takes_part or now >= facts.expires_at:
        return Door.CLOSED
    if facts.used:
        return Door.DONE if known_device else Door.CLOSED
    if known_device:
        return Door.OPEN
    if not facts.opened and not facts.written:
        return Door.FIRST
    if facts.wrong_tries >= BIRTH_DATE_TRIES or not facts.birth_date_known:
        return Door.CLOSED
    return Door.BIRTH_DATE


def expiry(made_at: datetime, days: int) -> datetime:
    """Return when a link that stays open `days` days ends; elapsed time. ValueError for another length."""
    if days not in DAYS:
        raise ValueError(f"A link stays open {', '.join(map(str, DAYS))} days, not {days}.")
    return made_at + timedelta(days=days)

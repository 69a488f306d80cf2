"""The encrypted box of contact details, and the keyed hashes by which a person is found again.

Two keys are derived from settings.CONTACT_KEY with HKDF-SHA-256 (RFC 5869), one per purpose, so that a
leak of one says nothing about the other. Whoever holds the database alone can read no name, and cannot try
names out against the hashes.
"""

import hashlib
import hmac
import json
import os
from dataclasses import asdict
from datetime import date
from functools import lru_cache
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

from studylab.errors import StudylabError
from studylab.participants.rules.details import ContactDetails
from studylab.participants.rules.identity import (
    LEAST_DIGITS,
    fold_phone,
    key_texts,
    search_texts,
    swapped_text,
)

_FORMAT = b"\x01"  # first byte of a box: AES-256-GCM, 12 bytes of nonce, then the sealed JSON
_NONCE = 12
_BOX_PURPOSE = b"studylab contact box 1"
_IDENTITY_PURPOSE = b"studylab identity keys 1"


class ContactUnreadable(StudylabError):
    """The box does not open: another key, another person's box, or damage."""

    status = 500


def box_seal(details: ContactDetails, person_uid: UUID) -> bytes:
    """Return the details sealed for this person; the same details never give the same box twice."""
    content = {**asdict(details), "birth_date": details.birth_date.isoformat()}
    text = json.dumps(content, ensure_ascii=False, sort_keys=True).encode()
    nonce = os.urandom(_NONCE)
    return _FORMAT + nonce + AESGCM(_key(_BOX_PURPOSE)).encrypt(nonce, text, person_uid.bytes)


def box_open(box: bytes, person_uid: UUID) -> ContactDetails:
    """Return what a box of this person holds. Raises ContactUnreadable."""
    if box[:1] != _FORMAT:
        raise ContactUnreadable(
            "The contact details are in a form that this version does not know."
        )
    nonce, sealed = box[1 : 1 + _NONCE], box[1 + _NONCE :]
    try:
        text = AESGCM(_key(_BOX_PURPOSE)).decrypt(nonce, sealed, person_uid.bytes)
    except InvalidTag:
        raise ContactUnreadable(
            "The contact details do not open with the key of this site. Ask whoever runs the site to check "
            "STUDYLAB_CONTACT_KEY."
        ) from None
    content = json.loads(text)
    return ContactDetails(**{**content, "birth_date": date.fromisoformat(content["birth_date"])})


def identity_keys(details: ContactDetails) -> list[tuple[str, str]]:
    """Return (kind, HMAC-SHA-256 in hex) for every way to find this person again."""
    return [(kind, _digest(kind, text)) for kind, text in key_texts(details.particulars)]


def lookup_keys(details: ContactDetails) -> list[tuple[str, str, str]]:
    """Return (kind of match, kind stored, digest) by which likely duplicates are sought."""
    keys = [
        (kind, kind, digest)
        for kind, digest in identity_keys(details)
        if kind.endswith("_birth") or kind in ("email", "phone")
    ]
    other = swapped_text(details.particulars)
    if other is not None:
        keys.append(("name_birth_swapped", "name_birth", _digest("name_birth", other)))
    return keys


def phone_key(phone: str) -> str:
    """Return the digest by which a phone number is compared, "" when it has too few digits to be one."""
    folded = fold_phone(phone)
    return _digest("phone", folded) if len(folded) >= LEAST_DIGITS else ""


def search_keys(text: str) -> list[tuple[str, str]]:
    """Return the (kind, digest) pairs of somebody sought by name, e-mail or phone."""
    return [(kind, _digest(kind, folded)) for kind, folded in search_texts(text)]


def _digest(kind: str, text: str) -> str:
    return hmac.new(_key(_IDENTITY_PURPOSE), f"{kind}\n{text}".encode(), hashlib.sha256).hexdigest()


def _key(purpose: bytes) -> bytes:
    return _derived(settings.CONTACT_KEY, purpose)


@lru_cache(maxsize=8)
def _derived(key: bytes, purpose: bytes) -> bytes:
    return HKDF(algorithm=SHA256(), length=32, salt=None, info=purpose).derive(key)

"""Sealing: encryption that notices any change.

AES-256-GCM (NIST SP 800-38D) with a random 96-bit nonce. The `context` names the one place a sealed value
belongs to (study, stratum, position): a value moved to another row does not open. The key never enters the
database.
"""

import base64
import binascii
import hashlib
import os

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

SEAL_VERSION = 1
KEY_BYTES = 32
PADDED_BYTES = 64  # room for any arm key, so that all sealed arms are equally long
_NONCE_BYTES, _TAG_BYTES, _KEY_ID_BYTES = 12, 16, 4
_HEADER = 1 + _KEY_ID_BYTES + _NONCE_BYTES
_MAKE_KEY = (
    'Make one with: python3 -c "import secrets,base64; '
    'print(base64.urlsafe_b64encode(secrets.token_bytes(32)).decode())"'
)


class SealDamaged(Exception):
    """What was sealed cannot be opened: it was changed, cut, moved to another place, or the key is wrong."""


class SealedWithAnotherKey(SealDamaged):
    """The sealed value names another key than the one at hand."""


class KeyUnusable(ValueError):
    """The text given as allocation key is not one; the message says why and how to make one."""


def parse_key(text: str) -> bytes:
    """Return the 32 key bytes written as base64url in `text`; the message never repeats the text."""
    stripped = text.strip()
    if not stripped:
        raise KeyUnusable(f"The allocation key is empty. {_MAKE_KEY}")
    try:
        padded = stripped.rstrip("=") + "=" * (-len(stripped.rstrip("=")) % 4)
        key = base64.b64decode(padded, altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise KeyUnusable(
            f"The allocation key is not base64url (letters, digits, - and _). {_MAKE_KEY}"
        ) from None
    if len(key) != KEY_BYTES:
        raise KeyUnusable(
            f"The allocation key has {len(key)} bytes, {KEY_BYTES} are needed. {_MAKE_KEY}"
        )
    if len(set(key)) < 8:
        raise KeyUnusable(f"The allocation key is not random. {_MAKE_KEY}")
    return key


def key_id(key: bytes) -> str:
    """Return eight hex digits that tell keys apart without saying anything about them."""
    return _key_id(key).hex()


def _key_id(key: bytes) -> bytes:
    return hashlib.sha256(b"studylab key id|" + key).digest()[:_KEY_ID_BYTES]


def _associated(header: bytes, context: str) -> bytes:
    return header + b"|studylab seal|" + context.encode()


def _require_key(key: bytes) -> None:
    if len(key) != KEY_BYTES:
        raise KeyUnusable(f"A sealing key has {KEY_BYTES} bytes, this one has {len(key)}.")


def seal(plaintext: bytes, *, key: bytes, context: str) -> bytes:
    """Return `plaintext` encrypted; 33 bytes longer, different each time."""
    _require_key(key)
    nonce = os.urandom(_NONCE_BYTES)
    header = bytes([SEAL_VERSION]) + _key_id(key)
    return header + nonce + AESGCM(key).encrypt(nonce, plaintext, _associated(header, context))


def unseal(sealed: bytes, *, key: bytes, context: str) -> bytes:
    """Return what was sealed; SealDamaged unless it is exactly what `seal` made, for this context."""
    _require_key(key)
    if len(sealed) < _HEADER + _TAG_BYTES or sealed[0] != SEAL_VERSION:
        raise SealDamaged("The sealed value is cut short or not a sealed value.")
    header, nonce = sealed[: 1 + _KEY_ID_BYTES], sealed[1 + _KEY_ID_BYTES : _HEADER]
    if header[1:] != _key_id(key):
        raise SealedWithAnotherKey(
            f"The value was sealed with key {header[1:].hex()}, the key at hand is {key_id(key)}."
        )
    try:
        return AESGCM(key).decrypt(nonce, sealed[_HEADER:], _associated(header, context))
    except InvalidTag:
        raise SealDamaged("The sealed value was changed or belongs to another place.") from None


def pad(text: str, width: int = PADDED_BYTES) -> bytes:
    """Return `text` as exactly `width` bytes: its length in two bytes, itself, zeros."""
    raw = text.encode()
    if len(raw) > width - 2:
        raise ValueError(f"Text of {len(raw)} bytes does not fit into {width - 2}.")
    return len(raw).to_bytes(2, "big") + raw + bytes(width - 2 - len(raw))


def unpad(padded: bytes) -> str:
    """Return the text that `pad` took; SealDamaged when the bytes are not padded text."""
    length = int.from_bytes(padded[:2], "big")
    if len(padded) < 2 or length > len(padded) - 2 or any(padded[2 + length :]):
        raise SealDamaged("The opened value is not padded text.")
    try:
        return padded[2 : 2 + length].decode()
    except UnicodeDecodeError:
        raise SealDamaged("The opened value is not padded text.") from None


def seal_text(text: str, *, key: bytes, context: str) -> bytes:
    """Seal a short text so that the length of the result says nothing about it."""
    return seal(pad(text), key=key, context=context)


def unseal_text(sealed: bytes, *, key: bytes, context: str) -> str:
    """Open what `seal_text` made."""
    return unpad(unseal(sealed, key=key, context=context))

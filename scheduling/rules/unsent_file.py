"""The file in which a tablet that found no network any more hands over what it holds.

It has the acts as they lie on the tablet, each sealed with the key of the person who made it (AES-256-GCM), so the
file tells nothing to whoever finds it, and an act that was changed cannot be opened. The tablet writes it also while
it is locked. Which entries belong to whom stands beside the seal; that it is true follows from the key.
"""

import base64
import binascii
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

FORMAT = 1
LONGEST = 1_000_000  # bytes of a file
MOST = 500  # entries in a file
FARTHEST_OFF = 10**12  # milliseconds, 31 years
NO_FILE = "This is no file of unsent entries. Choose the file that the tablet saved; its name begins with “studylab-unsent”."
DAMAGED = "This file is not whole, or it was changed. Save it on the tablet once more. Nothing was taken in."


class UnsentFileWrong(ValueError):
    """Why a file cannot be taken in, as a sentence."""


@dataclass(frozen=True, slots=True)
class SealedAct:
    """One entry as it lies in the file: whose it says it is, and its seal."""

    person: str
    iv: bytes
    box: bytes


@dataclass(frozen=True, slots=True)
class KeptAct:
    """One entry that was opened: where it belongs, when it was made by the tablet's clock, and what was entered."""

    id: UUID
    base: str
    visit: UUID
    step: str
    short: str
    words: str
    device_at: datetime
    compared_ms: int | None
    fields: dict[str, list[str]]


def read_unsent(text: str) -> tuple[SealedAct, ...]:
    """Return the entries of a file in their order. UnsentFileWrong where it is none, or was damaged."""
    try:
        data = json.loads(text)
        rows, sums = data["rows"], data["sha256"]
        if data["studylab_unsent"] != FORMAT or not isinstance(rows, list):
            raise UnsentFileWrong(NO_FILE)
    except (ValueError, KeyError, TypeError, RecursionError) as problem:
        raise UnsentFileWrong(NO_FILE) from problem
    if not rows:
        raise UnsentFileWrong("This file holds no entries.")
    if len(rows) > MOST:
        raise UnsentFileWrong(f"A file holds at most {MOST} entries, this one {len(rows)}.")
    try:
        if digest_of([f"{row['person']}.{row['iv']}.{row['box']}" for row in rows]) != sums:
            raise UnsentFileWrong(DAMAGED)
        return tuple(
            SealedAct(str(row["person"]), _bytes(row["iv"]), _bytes(row["box"])) for row in rows
        )
    except (KeyError, TypeError, ValueError) as problem:
        raise UnsentFileWrong(DAMAGED) from problem


def digest_of(lines: Sequence[str]) -> str:
    """Return the sum by which a damaged file is known; against changes it is the seals that hold."""
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def opened(sealed: SealedAct, key: bytes) -> KeptAct:
    """Return what an entry holds. UnsentFileWrong when the key is not its maker's, or the seal was broken."""
    try:
        content = json.loads(AESGCM(key).decrypt(sealed.iv, sealed.box, None))
        fields = {_text(name): _texts(value) for name, value in content["fields"].items()}
        device_at = datetime.fromisoformat(content["device_at"])
        if device_at.utcoffset() is None or not 2000 <= device_at.year < 2100:
            raise ValueError("no clock shows this")
        compared = None if content["compared_ms"] == "" else int(content["compared_ms"])
        if compared is not None and abs(compared) > FARTHEST_OFF:
            raise ValueError("no clock is as wrong as this")
        return KeptAct(
            id=UUID(content["id"]), base=_text(content["base"]), visit=UUID(content["visit"]),
            step=_text(content["step"]), short=_text(content["short"]), words=_text(content["words"]),
            device_at=device_at, compared_ms=compared, fields=fields,
        )  # fmt: skip
    except (
        InvalidTag, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError,
    ) as problem:  # fmt: skip
        raise UnsentFileWrong(DAMAGED) from problem


def _bytes(text: Any) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except binascii.Error as problem:
        raise ValueError("no base64") from problem


def _texts(value: Any) -> list[str]:
    return [_text(one) for one in (value if isinstance(value, list) else [value])]


def _text(value: Any) -> str:
    """Return a value as text that can be stored and shown; ValueError for signs that can not."""
    text = str(value)
    text.encode()  # half of a surrogate pair is no sign
    if "\x00" in text:
        raise ValueError("a sign that no database keeps")
    return text

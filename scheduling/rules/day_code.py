"""The code of the day: printed on visit packs and shown on Today, so that an old pack is seen to be old."""

import hashlib
import hmac
from datetime import date
from uuid import UUID

LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"  # none that are taken for another


def day_code(key: bytes, study: UUID | str, version: int, day: date) -> str:
    """Return four signs that change with the study, its protocol version and the local day."""
    text = f"day code/1|{study}|{version}|{day.isoformat()}"
    number = int.from_bytes(hmac.digest(key, text.encode(), hashlib.sha256)[:8], "big")
    signs = ""
    for _ in range(4):
        number, sign = divmod(number, len(LETTERS))
        signs += LETTERS[sign]
    return signs

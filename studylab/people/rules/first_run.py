"""The set-up code by which a new site lets in its first administrator. Pure; `pick` brings the chance."""

import hashlib
from collections.abc import Callable
from datetime import timedelta

# Without signs that look or sound alike; 31 signs give 4.95 bits each, 24 of them 118 bits.
SIGNS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
GROUPS, GROUP_LENGTH = 6, 4
HOLDS = timedelta(hours=24)  # our own figure: a day is enough to walk from the server to a browser


def set_up_code(pick: Callable[[str], str]) -> str:
    """Return a code of six groups of four signs; `pick` chooses one sign (`secrets.choice`)."""
    groups = ("".join(pick(SIGNS) for _ in range(GROUP_LENGTH)) for _ in range(GROUPS))
    return "-".join(groups)


def code_digest(code: str) -> str:
    """Return the SHA-256 of a code as 64 hex digits, whatever the case and the spaces it is typed with.

    A plain digest is enough: nobody can try the 2^118 codes that it could stand for.
    """
    plain = "".join(sign for sign in code.upper() if sign in SIGNS)
    return hashlib.sha256(plain.encode()).hexdigest()

"""The address to which a mail that could not be delivered comes back, made for each message.

`bounces+1f-0123456789abcdef0123@lab.example`: after the sign "+" (RFC 5233) stand the message's number and a keyed
digest of it. Only the digits of 0-9 and a-f and a hyphen are used, since mail systems may change the case of letters.
Whoever does not have the key can make no address that is taken for ours. The Message-ID carries the same token.
"""

import hmac
import re
from collections.abc import Iterable
from hashlib import sha256

_DIGEST = 20  # hexadecimal digits: 80 bits
_TOKEN = re.compile(r"(?<![0-9a-f])([0-9a-f]{1,15})-([0-9a-f]{20})(?![0-9a-f])")
LONGEST_LOCAL = 64  # octets before the "@" (RFC 5321, 4.5.3.1.1)


def token_of(number: int, key: bytes) -> str:
    """Return the token of message `number` (from 1)."""
    return f"{number:x}-{_digest(number, key)}"


def return_path(base: str, number: int, key: bytes) -> str:
    """Return the address of return of one message below `base`, such as bounces@lab.example."""
    local, _, domain = base.rpartition("@")
    return f"{local}+{token_of(number, key)}@{domain}"


def number_in(texts: Iterable[str], key: bytes) -> int | None:
    """Return the number of the message whose token stands in one of the texts; None without a right one."""
    for text in texts:
        for number, digest in _TOKEN.findall(text.lower()):
            if hmac.compare_digest(digest, _digest(int(number, 16), key)):
                return int(number, 16)
    return None


def base_problem(base: str) -> str:
    """Return why no address of return can be made below this one, or ""."""
    local, at, domain = base.rpartition("@")
    if not at or not local or not domain or "+" in local:
        return "Write a plain address without a plus sign, such as bounces@lab.example."
    if len(local) + 1 + 16 + _DIGEST > LONGEST_LOCAL:
        return f"The part before the @ may have {LONGEST_LOCAL - _DIGEST - 17} characters at most."
    return ""


def _digest(number: int, key: bytes) -> str:
    return hmac.new(key, b"return path\n" + str(number).encode(), sha256).hexdigest()[:_DIGEST]

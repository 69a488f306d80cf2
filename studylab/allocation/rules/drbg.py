"""Random numbers that can be made again years later from the same secret seed.

HMAC_DRBG with SHA-256 as NIST SP 800-90A Rev. 1, 10.1.2 describes it, without reseeding and without
additional input. Python's own `random` would do neither: its algorithm may be predicted from its output, and
what its helpers make of it has changed between versions. The seed must come from `secrets`.
"""

import builtins
import hashlib
import hmac
from collections.abc import MutableSequence
from typing import Any

DRBG_VERSION = "hmac-drbg-sha256/1"
SEED_BYTES = 48  # 256 bits of entropy and a nonce of 128 bits, as the standard asks for
MIN_SEED_BYTES = 32
MAX_REQUEST_BYTES = 1 << 16  # 2^19 bits a request, the standard's limit
_POOL_BYTES = 1024


class Drbg:
    """One stream of random numbers, fixed by `seed` and `personalisation`.

    `seed` is the standard's entropy input followed by the nonce. `below` and `shuffle` draw from requests of
    1,024 bytes; `bytes` is one request each time. All of that is part of `DRBG_VERSION`.
    """

    def __init__(self, seed: bytes, personalisation: bytes = b"") -> None:
        if len(seed) < MIN_SEED_BYTES:
            raise ValueError(
                f"The seed has {len(seed)} bytes; at least {MIN_SEED_BYTES} are needed."
            )
        self._key = b"\x00" * 32
        self._value = b"\x01" * 32
        self._pool = b""
        self._used = 0
        self._update(seed + personalisation)

    def _hmac(self, data: bytes) -> bytes:
        return hmac.digest(self._key, data, hashlib.sha256)

    def _update(self, provided: bytes = b"") -> None:
        for mark in (b"\x00", b"\x01"):
            self._key = self._hmac(self._value + mark + provided)
            self._value = self._hmac(self._value)
            if not provided:
                return

    def bytes(self, count: int) -> bytes:
        """Return `count` random bytes as one request, at most 65,536."""
        if not 0 <= count <= MAX_REQUEST_BYTES:
            raise ValueError(f"One request gives 0 to {MAX_REQUEST_BYTES} bytes, not {count}.")
        output = bytearray()
        while len(output) < count:
            self._value = self._hmac(self._value)
            output += self._value
        self._update()
        return bytes(output[:count])

    def below(self, limit: int) -> int:
        """Return an integer from 0 to `limit` - 1, each equally likely.

        As many whole bytes as needed are read big-endian and cut to the bits needed; values that are too
        large are thrown away, because folding them back would favour small numbers.
        """
        if limit < 1:
            raise ValueError(f"There is no integer from 0 to {limit - 1}.")
        bits = (limit - 1).bit_length()
        if bits == 0:
            return 0
        width = (bits + 7) // 8
        while True:
            value = int.from_bytes(self._take(width), "big") & ((1 << bits) - 1)
            if value < limit:
                return value

    def _take(self, width: int) -> builtins.bytes:
        if width > _POOL_BYTES:
            return self.bytes(width)
        if self._used + width > len(self._pool):
            self._pool, self._used = self.bytes(_POOL_BYTES), 0
        taken = self._pool[self._used : self._used + width]
        self._used += width
        return taken

    def shuffle(self, items: MutableSequence[Any]) -> None:
        """Put `items` into random order in place, each order equally likely (Fisher-Yates, from the end)."""
        for last in range(len(items) - 1, 0, -1):
            other = self.below(last + 1)
            items[last], items[other] = items[other], items[last]

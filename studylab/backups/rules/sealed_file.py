"""The file of a backup: encrypted in chunks that open only in their order, and only when all of them are there.

AES-256-GCM (NIST SP 800-38D) as the STREAM construction (Hoang, Reyhanitabar, Rogaway and Vizár, CRYPTO 2015): each
chunk's nonce is its number and whether it is the last, so one that is moved, left out, repeated or cut off does not open.
Every file has a key of its own, derived with HKDF-SHA-256 (RFC 5869) from the site's backup key, a random salt and the
head of the file, so a changed head opens nothing either. Memory is constant: one chunk.

    magic line, 4 bytes length, head (JSON: id of the key, salt, when and by which version), then chunks:
    4 bytes length, sealed content compressed as one stream (zlib)
"""

import base64
import io
import json
import os
import zlib
from collections.abc import Iterator, Mapping
from typing import IO, Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from studylab.backups.rules.problems import BackupDamaged, BackupProblem

MAGIC = b"studylab backup 1\n"
CHUNK = 1 << 18
_TAG = 16
_LONGEST_HEAD = 1 << 16
_LEVEL = 4  # of zlib: most of the saving for a third of the time of the best
_DAMAGED = "The backup is damaged, or was changed: part {number} of it does not open."
_CUT = "The backup is incomplete: it ends before its last part."
_NOT_ONE = "This file is not a backup of this program."


class Sealer(io.RawIOBase):
    """Writes what it is given, compressed and sealed, to `target`. Only `finish` makes the file whole."""

    def __init__(
        self, target: IO[bytes], key: bytes, key_id: str, facts: Mapping[str, Any]
    ) -> None:
        salt = os.urandom(32)
        head = {**facts, "key": key_id, "salt": base64.b64encode(salt).decode()}
        raw = json.dumps(head, sort_keys=True).encode()
        target.write(MAGIC + len(raw).to_bytes(4, "big") + raw)
        self._target, self._cipher = target, _cipher(key, salt, raw)
        self._number, self._held, self._packer = 0, bytearray(), zlib.compressobj(_LEVEL)

    def writable(self) -> bool:
        """It can be written to."""
        return True

    def write(self, data: Any) -> int:
        """Take in some content; whole chunks go out at once."""
        self._held += self._packer.compress(data)
        while len(self._held) > CHUNK:
            self._out(bytes(self._held[:CHUNK]), last=False)
            del self._held[:CHUNK]
        return len(data)

    def finish(self) -> None:
        """Write the last chunk, which says that it is the last."""
        self.write(b"")
        self._held += self._packer.flush()
        while len(self._held) > CHUNK:
            self._out(bytes(self._held[:CHUNK]), last=False)
            del self._held[:CHUNK]
        self._out(bytes(self._held), last=True)

    def _out(self, chunk: bytes, *, last: bool) -> None:
        sealed = self._cipher.encrypt(_nonce(self._number, last), chunk, None)
        self._target.write(len(sealed).to_bytes(4, "big") + sealed)
        self._number += 1


class Opened(io.RawIOBase):
    """The content of a backup as a stream. Raises BackupDamaged where it is read, at the latest at its end."""

    def __init__(self, source: IO[bytes], key: bytes, raw_head: bytes) -> None:
        salt = base64.b64decode(json.loads(raw_head)["salt"])
        self._chunks = _chunks(source, _cipher(key, salt, raw_head))
        self._packer = zlib.decompressobj()

    def readable(self) -> bool:
        """It can be read from."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer as far as one step goes; 0 at the end of a whole backup."""
        while True:
            if self._packer.unconsumed_tail:
                data = self._packer.decompress(self._packer.unconsumed_tail, len(buffer))
            else:
                # A limited step may keep some output back after the last chunk went in.
                chunk = next(self._chunks, b"")
                data = self._packer.decompress(chunk, len(buffer))
                if not chunk and not data:
                    if not self._packer.eof or self._packer.unused_data:
                        raise BackupDamaged(_CUT)
                    return 0
            if data:
                buffer[: len(data)] = data
                return len(data)


def read_head(source: IO[bytes]) -> tuple[dict[str, Any], bytes]:
    """Return the head of a backup, which is not secret and not yet proven, and its raw bytes."""
    if source.read(len(MAGIC)) != MAGIC:
        raise BackupProblem(_NOT_ONE)
    length = int.from_bytes(_exactly(source, 4), "big")
    if length > _LONGEST_HEAD:
        raise BackupDamaged(_NOT_ONE)
    raw = _exactly(source, length)
    try:
        head = json.loads(raw)
        base64.b64decode(head["salt"], validate=True)
        str(head["key"])
    except (ValueError, KeyError, TypeError):
        raise BackupDamaged("The head of the backup cannot be read: it is damaged.") from None
    return head, raw


def open_content(source: IO[bytes], key: bytes, key_id: str) -> tuple[dict[str, Any], IO[bytes]]:
    """Return the head and the content of a backup as a buffered stream. BackupProblem names the key that it needs."""
    head, raw = read_head(source)
    if head["key"] != key_id:
        raise BackupProblem(
            f"The backup was sealed with the key {head['key']}; STUDYLAB_BACKUP_KEY is the key {key_id}. "
            "Set the one that was in use when it was made."
        )
    return head, io.BufferedReader(Opened(source, key, raw), CHUNK)


def _chunks(source: IO[bytes], cipher: AESGCM) -> Iterator[bytes]:
    """Return each chunk opened, in order, and nothing behind the last."""
    number = 0
    while True:
        length = int.from_bytes(_exactly(source, 4), "big")
        if not _TAG <= length <= CHUNK + _TAG:
            raise BackupDamaged(_DAMAGED.format(number=number + 1))
        sealed = _exactly(source, length)
        content, last = _opened(cipher, number, sealed)
        yield content
        if last:
            break
        number += 1
    if source.read(1):
        raise BackupDamaged("Something was added behind the end of the backup.")


def _opened(cipher: AESGCM, number: int, sealed: bytes) -> tuple[bytes, bool]:
    """Open a chunk as one in the middle, else as the last; only one of the two can be right."""
    for last in (False, True):
        try:
            return cipher.decrypt(_nonce(number, last), sealed, None), last
        except InvalidTag:
            continue
    raise BackupDamaged(_DAMAGED.format(number=number + 1))


def _exactly(source: IO[bytes], length: int) -> bytes:
    found = source.read(length)
    if len(found) != length:
        raise BackupDamaged(_CUT)
    return found


def _nonce(number: int, last: bool) -> bytes:
    return number.to_bytes(11, "big") + (b"\x01" if last else b"\x00")


def _cipher(key: bytes, salt: bytes, head: bytes) -> AESGCM:
    own = HKDF(algorithm=SHA256(), length=32, salt=salt, info=MAGIC + head)
    return AESGCM(own.derive(key))

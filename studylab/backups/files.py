"""Where backups lie and how one comes there: under a name of its own once it is whole, never half of one."""

import fcntl
import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from django.conf import settings

from studylab.allocation.rules.sealing import key_id
from studylab.backups.rules.problems import BackupProblem
from studylab.operation.full_disk import is_full

ENDING, UNFINISHED = ".backup", ".unfinished"
USUAL = "studylab"  # how names begin of backups that go again when there are newer ones
REPLACED = "replaced"  # of what a restoration took the place of; those stay
NOT_SET = "No backup is made: set STUDYLAB_BACKUP_DIR and STUDYLAB_BACKUP_KEY (see README)."
_LOCK = ".making-a-backup"


class Hashed:
    """A file being written whose bytes are counted and hashed on the way."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self._digest, self.size = file, hashlib.sha256(), 0

    def write(self, data: bytes) -> int:
        """Write and take in."""
        self._digest.update(data)
        self.size += len(data)
        return self._file.write(data)

    @property
    def sha256(self) -> str:
        """Of what was written so far."""
        return self._digest.hexdigest()


def is_on() -> bool:
    """Whether the site is set up to make backups."""
    return settings.BACKUP.key is not None


def key() -> tuple[bytes, str]:
    """Return the site's backup key and its eight hex digits. BackupProblem when there is none."""
    if settings.BACKUP.key is None:
        raise BackupProblem(NOT_SET)
    return settings.BACKUP.key, key_id(settings.BACKUP.key)


def folder() -> Path:
    """Return the folder of the backups, made for this user alone when it is not there."""
    place: Path | None = settings.BACKUP.folder
    if place is None:
        raise BackupProblem(NOT_SET)
    try:
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as problem:
        raise _told(place, problem) from problem
    return place


def name_at(at: datetime, beginning: str = USUAL) -> str:
    """Return the name of a backup whose view of the record is of that moment."""
    return f"{beginning}-{at:%Y%m%dT%H%M%SZ}{ENDING}"


@contextmanager
def new_file(place: Path, name: str) -> Iterator[Hashed]:
    """Write a file that stands under its name only when the block has ended well, and is on the disk by then."""
    unfinished = place / f"{name}{UNFINISHED}"
    try:
        handle = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as file:
            yield Hashed(file)
            file.flush()
            os.fsync(file.fileno())
        unfinished.rename(place / name)
        _settle(place)
    except OSError as problem:
        raise _told(place, problem) from problem
    finally:
        unfinished.unlink(missing_ok=True)


@contextmanager
def alone(place: Path) -> Iterator[None]:
    """Let one process at a time make backups here; what an earlier one left half done goes."""
    try:
        handle = os.open(place / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as problem:
        raise _told(place, problem) from problem
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BackupProblem("Another backup is being made at this moment.") from None
        for left in place.glob(f"*{UNFINISHED}"):
            left.unlink(missing_ok=True)
        yield
    finally:
        os.close(handle)


def _settle(place: Path) -> None:
    """Make the new name survive a power cut."""
    handle = os.open(place, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _told(place: Path, problem: OSError) -> BackupProblem:
    if is_full(problem):
        return BackupProblem(
            f"The disk of {place} is full: no backup was made. Free some space, or keep fewer (STUDYLAB_BACKUP_KEEP)."
        )
    why: Any = problem.strerror or problem
    return BackupProblem(f"No backup can be written in {place}: {why}.")

"""Where things lie, how a stage is reported, and what is said when a start cannot go on."""

import fcntl
import os
import secrets
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

KEY_NAMES = (
    "STUDYLAB_SECRET_KEY",
    "STUDYLAB_ALLOCATION_KEY",
    "STUDYLAB_CONTACT_KEY",
    "STUDYLAB_DATABASE_PASSWORD",
    "STUDYLAB_BACKUP_KEY",
)
_LATER = (
    "STUDYLAB_BACKUP_KEY",
)  # asked for since some copies made their keys; nothing of theirs needs it


class Trouble(Exception):
    """The start cannot go on; the text is one line with the cause and the fix."""


_quiet = False


def keep_output_clean() -> None:
    """From here on report stages on standard error: the output belongs to the command itself."""
    global _quiet
    _quiet = True


def say(line: str) -> None:
    """Report a stage: one calm line, shown at once even when the output is a pipe."""
    print(line, file=sys.stderr if _quiet else sys.stdout, flush=True)


@dataclass(frozen=True)
class Places:
    """The folders of one copy of the program."""

    repo: Path
    state: Path

    @classmethod
    def from_environment(cls) -> "Places":
        """The folders of this copy; STUDYLAB_STATE_DIR moves everything but `.venv`."""
        repo = Path(__file__).resolve().parents[2]
        said = os.environ.get("STUDYLAB_STATE_DIR")
        return cls(repo, Path(said).resolve() if said else repo / ".studylab")

    @property
    def venv(self) -> Path:
        """The Python environment made for this copy."""
        return self.repo / ".venv"

    @property
    def logs(self) -> Path:
        """Output of everything that runs in the background."""
        return self.state / "logs"

    @property
    def run(self) -> Path:
        """Locks and notes about what runs now."""
        return self.state / "run"

    def make(self) -> None:
        """Create the state folders, for this user alone."""
        for folder in (self.state, self.logs, self.run):
            try:
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                probe = folder / f".probe-{os.getpid()}"
                probe.touch()
                probe.unlink()
            except OSError as problem:
                raise Trouble(
                    f"Cannot write in {folder} ({problem.strerror}). Copy the program to a folder "
                    "you may write in, or name one in STUDYLAB_STATE_DIR."
                ) from problem


class Lock:
    """A lock file that the system lets go when its holder ends, even by a kill."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle: int | None = None

    def take(self, *, shared: bool = False) -> bool:
        """Take the lock if it is free; never waits."""
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(handle)
            return False
        self._handle = handle
        return True

    def wait(
        self, *, seconds: float, told: str, stop: Callable[[], None], shared: bool = False
    ) -> bool:
        """Take the lock within `seconds`, saying `told` once if it is not free at once."""
        deadline = time.monotonic() + seconds
        while not self.take(shared=shared):
            stop()
            if told:
                say(told)
                told = ""
            if time.monotonic() > deadline:
                return False
            time.sleep(0.2)
        return True

    def let_go(self) -> None:
        """Give the lock back."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def keys(places: Places, *, may_make: bool = True) -> dict[str, str]:
    """The secrets of this copy by setting name, made once, readable by this user alone."""
    path = places.state / "keys.env"
    if not path.exists():
        if not may_make:
            raise Trouble(
                f"The demo's keys are gone ({path}), so its records cannot be read. Put the file "
                "back, or start over with: python3 manage.py demo --reset"
            )
        fresh = path.with_name(f"keys.{os.getpid()}.new")
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.writelines(_fresh_key(name) for name in KEY_NAMES)
        fresh.rename(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    found = dict(line.split("=", 1) for line in lines if "=" in line)
    missing = [name for name in KEY_NAMES if not found.get(name) and name not in _LATER]
    if missing:
        raise Trouble(
            f"{path} lacks {', '.join(missing)}. Put the file back from a copy, or start over "
            "with: python3 manage.py demo --reset"
        )
    if late := [name for name in _LATER if name not in found]:
        with path.open("a", encoding="utf-8") as file:
            file.writelines(["\n", *(_fresh_key(name) for name in late)])
        return keys(places, may_make=may_make)
    return {name: found[name] for name in KEY_NAMES}


def _fresh_key(name: str) -> str:
    """A line with a new key: 32 bytes for a cipher; the secret key and the password may be longer."""
    ciphers = ("ALLOCATION_KEY", "CONTACT_KEY", "BACKUP_KEY")
    return f"{name}={secrets.token_urlsafe(32 if name.endswith(ciphers) else 48)}\n"


def last_line(path: Path) -> str:
    """The last line of a log that is not blank, or a word that there is none."""
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return "no log was written"
    return next((line.strip() for line in reversed(lines) if line.strip()), "the log is empty")

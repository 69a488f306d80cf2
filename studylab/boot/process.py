"""Starting, watching and ending child processes so that none outlives its start."""

import contextlib
import ctypes
import os
import pwd
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import TypedDict

from studylab.boot.places import Trouble

# In the environment of every service, so that a later start can find what a kill left behind.
MARK = "STUDYLAB_SUPERVISED_FROM"
_PR_SET_PDEATHSIG = 1
_LIBC = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None


class Stopped(Exception):
    """Someone asked the program to stop."""


@dataclass
class StopRequest:
    """Remembers the first signal that asks to stop; the waits below look at it."""

    number: int | None = None
    _before: dict[int, object] = field(default_factory=dict)

    def listen(self) -> None:
        """Take Ctrl-C, an ordinary kill and a closed terminal as the wish to stop in order."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            self._before[number] = signal.signal(number, self._note)

    def forget(self) -> None:
        """Put back what listened before."""
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self.number = self.number or number

    def check(self) -> None:
        """Raise Stopped once the wish is there."""
        if self.number is not None:
            raise Stopped


def ends_with_parent(number: int) -> Callable[[], None]:
    """A step for the child that makes the system send it `number` when this process dies."""
    parent = os.getpid()

    def prepare() -> None:
        if _LIBC is not None:
            _LIBC.prctl(_PR_SET_PDEATHSIG, number, 0, 0, 0)
            if os.getppid() != parent:  # it died between the fork and the call above
                os._exit(1)

    return prepare


def spawn(
    command: Sequence[str | Path],
    *,
    env: Mapping[str, str],
    log: Path,
    cwd: Path,
    account: pwd.struct_passwd | None = None,
    death_signal: int = signal.SIGTERM,
    pass_fds: Sequence[int] = (),
) -> subprocess.Popen[bytes]:
    """Start a process in a group of its own, output to `log`, as `account` when given."""
    # A group of its own keeps Ctrl-C from reaching it before its turn.
    if log.exists():  # the log of this run and of the one before are kept
        log.replace(log.with_suffix(".old.log"))
    with log.open("wb") as output:
        return subprocess.Popen(
            [str(part) for part in command],
            env=dict(env),
            cwd=cwd,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            preexec_fn=ends_with_parent(death_signal),
            pass_fds=pass_fds,
            **as_account(account),
        )


class AccountArguments(TypedDict, total=False):
    """Keyword arguments of subprocess that say as whom to run."""

    user: int
    group: int
    extra_groups: list[int]


def as_account(account: pwd.struct_passwd | None) -> AccountArguments:
    """Arguments for subprocess that drop to `account` with its own group only."""
    if account is None:
        return {}
    return {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}


def end(child: subprocess.Popen[bytes], *, first: int = signal.SIGTERM, grace: float = 15) -> None:
    """Ask a process to stop, wait up to `grace` seconds, then end its whole group."""
    if child.poll() is None:
        child.send_signal(first)
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(grace)
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)
    child.wait()


def wait_for(child: subprocess.Popen[bytes], stop: StopRequest) -> int:
    """Wait for a short-lived child; end it when asked to stop. Returns its exit code."""
    while child.poll() is None:
        if stop.number is not None:
            end(child)
            raise Stopped
        time.sleep(0.05)
    return child.returncode


def command_line(pid: int) -> list[str] | None:
    """The words a process was started with, or None when there is no such process."""
    if sys.platform == "linux":
        try:
            raw = Path(f"/proc/{pid}/cmdline").read_bytes()
        except OSError:
            return None
        return [os.fsdecode(word) for word in raw.split(b"\0") if word] or None
    listed = subprocess.run(
        ["ps", "-ww", "-o", "command=", "-p", str(pid)], capture_output=True, text=True, check=False
    )
    return listed.stdout.split() or None


def working_in(folder: Path) -> list[int]:
    """Processes whose working folder is `folder`; empty where the system does not tell."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            if os.readlink(entry / "cwd") == str(folder):
                found.append(int(entry.name))
        except OSError:
            continue
    return found


def marked(state: Path) -> list[int]:
    """Processes left by an earlier start of this copy, told by the mark in their environment."""
    wanted = f"{MARK}={state}"
    found = []
    if sys.platform == "linux":
        for entry in Path("/proc").glob("[0-9]*"):
            try:
                words = (entry / "environ").read_bytes().split(b"\0")
            except OSError:
                continue
            if os.fsencode(wanted) in words:
                found.append(int(entry.name))
    else:
        listed = subprocess.run(
            ["ps", "eww", "-axo", "pid=,command="], capture_output=True, text=True, check=False
        )
        for line in listed.stdout.splitlines():
            if f" {wanted} " in f"{line} ":
                found.append(int(line.split()[0]))
    return [pid for pid in found if pid != os.getpid()]


def sweep(state: Path, *, grace: float = 10) -> int:
    """End what an earlier start of this copy left running. Returns how many there were."""
    left = marked(state)
    for number, wait in ((signal.SIGTERM, grace), (signal.SIGKILL, 5)):
        for pid in marked(state):
            try:
                os.kill(pid, number)
            except ProcessLookupError:
                continue
        deadline = time.monotonic() + wait
        while (still := marked(state)) and time.monotonic() < deadline:
            time.sleep(0.1)
        if not still:
            return len(left)
    raise Trouble(
        f"An earlier start left processes that do not end: {', '.join(map(str, still))}. "
        "End them by hand, then start again."
    )

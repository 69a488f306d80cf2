"""Makes `.venv` from the pinned requirements and tells a finished one from a half-made one."""

import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from studylab.boot.places import Lock, Places, Trouble, last_line, say

STAMP = "studylab-complete.json"
# What a Python environment consists of: anything else in .venv is not ours to remove.
_PARTS = {
    "bin",
    "include",
    "lib",
    "lib64",
    "share",
    "etc",
    "pyvenv.cfg",
    ".gitignore",
    "CACHEDIR.TAG",
    STAMP,
}
_FAULTS = (
    (
        "DO NOT MATCH THE HASHES",
        "a download is not the file that was pinned; try again, and if it stays so, do not go on",
    ),
    ("No space left on device", "the disk is full; make room and start again"),
    (
        "Permission denied",
        "a file in .venv cannot be written; delete the folder .venv and start again",
    ),
    (
        "CERTIFICATE_VERIFY_FAILED",
        "the package index is not trusted; set PIP_CERT to your site's certificate file",
    ),
    (
        "name resolution",
        "there is no network; connect, or set PIP_INDEX_URL to your site's package index",
    ),
    (
        "new connection",
        "there is no network; connect, or set PIP_INDEX_URL to your site's package index",
    ),
    (
        "Network is unreachable",
        "there is no network; connect, or set PIP_INDEX_URL to your site's package index",
    ),
    (
        "timed out",
        "the network is too slow or cut off; try again, or set PIP_INDEX_URL to your site's package index",
    ),
    (
        "No matching distribution",
        "the package index has no build for this machine or cannot be reached; check the network and PIP_INDEX_URL",
    ),
)


def python_of(folder: Path) -> Path:
    """The interpreter inside an environment."""
    return folder / "bin" / "python"


def wanted(places: Places) -> str:
    """The fingerprint of the pinned requirements."""
    return hashlib.sha256((places.repo / "requirements.txt").read_bytes()).hexdigest()


def version_of(python: Path) -> str | None:
    """The version an interpreter reports, such as 3.11; None when it does not run."""
    try:
        answer = subprocess.run(
            [python, "-I", "-c", "import sys; print('%d.%d' % sys.version_info[:2])"],
            capture_output=True,
            text=True,
            check=True,
            timeout=60,
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return answer.stdout.strip()


def stamp_of(folder: Path) -> dict[str, str]:
    """What the last complete install wrote; empty when there was none."""
    try:
        read = json.loads((folder / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return read if isinstance(read, dict) else {}


def is_complete(places: Places) -> bool:
    """Whether `.venv` was finished for these requirements and its interpreter still runs."""
    stamp = stamp_of(places.venv)
    return (
        stamp.get("requirements") == wanted(places)
        and stamp.get("python") is not None
        and version_of(python_of(places.venv)) == stamp["python"]
    )


def elsewhere_suitable(places: Places) -> bool:
    """Whether this Python is to be used as it is: told so, or another environment with Django."""
    if os.environ.get("STUDYLAB_VENV") == "skip":
        return True
    inside_other = sys.prefix != sys.base_prefix and Path(sys.prefix).resolve() != places.venv
    needed = ("django", "celery", "psycopg", "gunicorn")
    return inside_other and all(importlib.util.find_spec(name) for name in needed)


def ensure(places: Places) -> Path:
    """Return the interpreter to run with, after making `.venv` when it is missing or stale."""
    if elsewhere_suitable(places):
        return Path(sys.executable)
    if not is_complete(places):
        _with_lock(places)
    return python_of(places.venv)


def _with_lock(places: Places) -> None:
    """Make the environment unless another start is making it; then wait for that one."""
    lock = Lock(places.run / "venv.lock")
    told = "Another start is making .venv; waiting for it."
    if not lock.wait(seconds=1800, told=told, stop=lambda: None):
        raise Trouble("Another start has been making .venv for half an hour; end it and try again.")
    try:
        if not is_complete(places):
            _make(places)
    finally:
        lock.let_go()


def _make(places: Places) -> None:
    """Create or bring up to date, then install, then stamp."""
    folder = places.venv
    stamp = stamp_of(folder)
    usable = bool(stamp) and version_of(python_of(folder)) == stamp.get("python")
    if usable:
        (folder / STAMP).unlink()
        say("The requirements changed; bringing .venv up to date.")
    else:
        _create(places)
    _install(places)
    made = {"requirements": wanted(places), "python": version_of(python_of(folder))}
    fresh = folder / (STAMP + ".new")
    fresh.write_text(json.dumps(made), encoding="utf-8")
    fresh.rename(folder / STAMP)


def _create(places: Places) -> None:
    """Make an empty environment, removing a half-made one first."""
    folder = places.venv
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        raise Trouble(
            "This Python lacks the venv module. On Debian or Ubuntu: apt-get install "
            f"python{sys.version_info[0]}.{sys.version_info[1]}-venv; then start again."
        )
    if folder.is_symlink() or folder.exists():
        _remove_half_made(folder)
    say(f"Making .venv with Python {sys.version.split()[0]}.")
    base = getattr(sys, "_base_executable", None) or sys.executable
    log = places.logs / "install.log"
    with log.open("w", encoding="utf-8") as output:
        made = subprocess.run(
            [base, "-m", "venv", folder], stdout=output, stderr=subprocess.STDOUT, check=False
        )
    if made.returncode:
        raise Trouble(
            f"Python could not make {folder} ({last_line(log)}). On Debian or Ubuntu install the "
            "package python3-venv; elsewhere check that the folder can be written; then start again."
        )


def _remove_half_made(folder: Path) -> None:
    """Remove an environment that was never finished; refuse anything that is not one."""
    strangers = []
    if folder.is_symlink() or not folder.is_dir():
        strangers = [folder.name]
    else:
        strangers = [
            entry.name for entry in folder.iterdir() if entry.name.split(".new")[0] not in _PARTS
        ]
    if strangers:
        raise Trouble(
            f"{folder} is not a Python environment made by this program (it holds "
            f"{strangers[0]}). Move it away, then start again."
        )
    say("Found a half-made .venv; making it anew.")
    try:
        shutil.rmtree(folder)
    except OSError as problem:
        raise Trouble(
            f"Cannot remove the half-made {folder} ({problem.strerror}: {problem.filename}). "
            "Delete that folder by hand, then start again."
        ) from problem


def _install(places: Places) -> None:
    """Install the pinned requirements, every file checked against its hash."""
    requirements = places.repo / "requirements.txt"
    count = sum("==" in line for line in requirements.read_text(encoding="utf-8").splitlines())
    say(f"Installing {count} pinned packages; this happens once and takes a minute or two.")
    log = places.logs / "install.log"
    command = [
        str(python_of(places.venv)),
        "-m",
        "pip",
        "install",
        "--require-hashes",
        "--no-input",
    ]
    command += ["--disable-pip-version-check", "--progress-bar", "off", "--retries", "2"]
    with log.open("a", encoding="utf-8") as output:
        done = subprocess.run(
            [*command, "-r", requirements], stdout=output, stderr=subprocess.STDOUT, check=False
        )
    if done.returncode:
        text = log.read_text(encoding="utf-8", errors="replace")
        why = next((fix for sign, fix in _FAULTS if sign.lower() in text.lower()), last_line(log))
        raise Trouble(f"The packages could not be installed: {why} (details in {log}).")

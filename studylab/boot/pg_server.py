"""Creates, starts, watches and stops one PostgreSQL server that only this program uses."""

import os
import pwd
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

from studylab.boot.pg_place import own_folder, socket_folder
from studylab.boot.places import Trouble, last_line, say
from studylab.boot.process import (
    StopRequest,
    as_account,
    command_line,
    end,
    spawn,
    working_in,
)

ADMIN, APP, PORT = "studylab_admin", "studylab", 5432
_PATIENCE = 300  # seconds that recovery after a crash may take
_SETTINGS = {
    "listen_addresses": "",
    "port": str(PORT),
    "unix_socket_permissions": "0700",
    "timezone": "UTC",
    "log_timezone": "UTC",
    "max_connections": "120",
    "logging_collector": "off",
    "log_statement": "none",
    # Small containers have 64 MB of shared memory, which parallel queries would overrun.
    "max_parallel_workers_per_gather": "0",
    "max_parallel_maintenance_workers": "0",
}
_THROWAWAY = {
    "fsync": "off",
    "full_page_writes": "off",
    "synchronous_commit": "off",
    "max_wal_size": "2GB",
}
_ROLES = """
SELECT 'CREATE ROLE {app} LOGIN' WHERE NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{app}') \\gexec
ALTER ROLE {app} NOSUPERUSER NOCREATEROLE NOREPLICATION NOBYPASSRLS CREATEDB PASSWORD '{password}';
SELECT 'CREATE DATABASE {app} OWNER {app}'
 WHERE NOT EXISTS (SELECT FROM pg_database WHERE datname = '{app}') \\gexec
"""


@dataclass
class Server:
    """One data folder with its server. `account` is whom it runs as; None for oneself.

    `throwaway` is removed when it stops; it is also quick and unsafe, unless it is to be `sure` of what it says it kept.
    """

    bin: Path
    data: Path
    log: Path
    account: pwd.struct_passwd | None = None
    throwaway: bool = False
    sure: bool = False
    stop_request: StopRequest = field(default_factory=StopRequest)
    sockets: Path | None = None
    child: subprocess.Popen[bytes] | None = None

    def url(self, password: str) -> str:
        """The DATABASE_URL of the running server."""
        return f"postgresql://{APP}:{password}@/{APP}?host={self.sockets}&port={PORT}"

    def start(self, password: str) -> None:
        """Bring the server up, whatever an earlier start left behind, with role and database."""
        if not (self.data / "PG_VERSION").exists():
            self._create()
        self._check_version()
        self.settle_earlier()
        say("Starting PostgreSQL.")
        self.sockets = socket_folder(self.data, self.account)
        settings = {**_SETTINGS, "unix_socket_directories": str(self.sockets)}
        if self.throwaway and not self.sure:
            settings |= _THROWAWAY
        options = [word for name, value in settings.items() for word in ("-c", f"{name}={value}")]
        self.child = spawn(
            [self.bin / "postgres", "-D", self.data, *options],
            env=self._environment(),
            log=self.log,
            cwd=Path("/"),
            account=self.account,
            death_signal=signal.SIGINT,  # for PostgreSQL: roll back, write out, end
        )
        self._await_ready()
        self.sql(_ROLES.format(app=APP, password=password))

    def stop(self) -> None:
        """Stop the server in order; remove the data when it was only for now."""
        if self.child is not None:
            end(self.child, first=signal.SIGINT, grace=60)
            self.child = None
        if self.sockets is not None:
            shutil.rmtree(self.sockets, ignore_errors=True)
        if self.throwaway:
            shutil.rmtree(self.data, ignore_errors=True)

    def sql(self, text: str, database: str = "postgres") -> str:
        """Run SQL as the server's administrator; text goes in by standard input, never listed."""
        done = self._run(
            "psql",
            "-X",
            "-q",
            "-A",
            "-t",
            "-v",
            "ON_ERROR_STOP=1",
            "-h",
            str(self.sockets),
            "-p",
            str(PORT),
            "-U",
            ADMIN,
            "-d",
            database,
            text=text,
        )
        if done.returncode:
            raise Trouble(f"PostgreSQL refused its own set-up: {_reason(done.stderr)}")
        return done.stdout.strip()

    def _run(self, program: str, *words: str, text: str = "") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(self.bin / program), *words],
            input=text,
            capture_output=True,
            text=True,
            check=False,
            env=self._environment(),
            cwd="/",
            **as_account(self.account),
        )

    def _environment(self) -> dict[str, str]:
        """The caller's environment without what would steer PostgreSQL: PG*, language, zone."""
        kept = {
            k: v for k, v in os.environ.items() if not k.startswith(("PG", "LC_", "LANG", "TZ"))
        }
        kept |= {"LC_ALL": "C"}
        if self.account is not None:
            kept |= {"HOME": "/", "USER": self.account.pw_name, "LOGNAME": self.account.pw_name}
        return kept

    def _create(self) -> None:
        """Make a new data folder; one that was never finished is thrown away first."""
        say("Creating the PostgreSQL data folder.")
        fresh = self.data.with_name(self.data.name + ".new")
        for half_made in (fresh, self.data):
            if half_made.exists():
                shutil.rmtree(half_made)
        own_folder(fresh, self.account)
        # The built-in locale sorts the same on every machine and after every system upgrade.
        done = self._run(
            "initdb",
            "-D",
            str(fresh),
            "-U",
            ADMIN,
            "--encoding=UTF8",
            "--locale=C",
            "--locale-provider=builtin",
            "--builtin-locale=C.UTF-8",
            "--auth=peer",
            *(("--no-sync",) if self.throwaway else ()),
        )
        if done.returncode:
            raise Trouble(f"PostgreSQL could not create {fresh}: {_reason(done.stderr)}")
        name = self.account.pw_name if self.account else pwd.getpwuid(os.geteuid()).pw_name
        (fresh / "pg_hba.conf").write_text(
            f"local all {ADMIN} peer map=owner\nlocal all all scram-sha-256\n", encoding="utf-8"
        )
        (fresh / "pg_ident.conf").write_text(f'owner "{name}" {ADMIN}\n', encoding="utf-8")
        fresh.rename(self.data)

    def _check_version(self) -> None:
        written = (self.data / "PG_VERSION").read_text(encoding="utf-8").strip()
        shown = self._run("postgres", "--version").stdout.split()
        runs = shown[2].split(".")[0] if len(shown) > 2 else "?"
        if written != runs:
            raise Trouble(
                f"{self.data} was written by PostgreSQL {written}, the installed one is {runs}. "
                "Start over with: python3 manage.py demo --reset"
            )

    def settle_earlier(self) -> None:
        """Stop a server an earlier start left on this data; drop a pid file that lies."""
        note = self.data / "postmaster.pid"
        if not note.exists():
            return
        pid = pid_in(note)
        words = command_line(pid) if pid is not None else None
        if pid is not None and words is None:
            return  # PostgreSQL itself checks and replaces the file of a dead server
        if pid is not None and words and is_server(words, self.data):
            say("Stopping the PostgreSQL an earlier start left running.")
            self._end_pid(pid)
            return
        # The file is empty or its number now belongs to a stranger: PostgreSQL would refuse to start.
        self._await_backends()
        note.unlink(missing_ok=True)

    def _end_pid(self, pid: int) -> None:
        for number, patience in ((signal.SIGINT, 60), (signal.SIGQUIT, 20)):
            deadline = time.monotonic() + patience
            words = command_line(pid)
            if words and is_server(words, self.data):
                os.kill(pid, number)
            while time.monotonic() < deadline:
                if not ((words := command_line(pid)) and is_server(words, self.data)):
                    return
                time.sleep(0.1)
        raise Trouble(
            f"PostgreSQL (process {pid}) does not stop; end it by hand, then start again."
        )

    def _await_backends(self) -> None:
        """Wait until no process of a dead server still works in the data folder."""
        deadline = time.monotonic() + 20
        while left := working_in(self.data):
            if time.monotonic() > deadline:
                raise Trouble(
                    f"Processes of an earlier PostgreSQL still use {self.data}: "
                    f"{', '.join(map(str, left))}. End them by hand, then start again."
                )
            time.sleep(0.1)

    def _await_ready(self) -> None:
        """Wait for the first real answer; recovery after a crash may take minutes."""
        began = told = time.monotonic()
        while True:
            self.stop_request.check()
            if self.child is None or self.child.poll() is not None:
                raise Trouble(f"PostgreSQL did not start: {last_line(self.log)} (log: {self.log})")
            now = time.monotonic()
            if (
                self._run("pg_isready", "-q", "-h", str(self.sockets), "-p", str(PORT)).returncode
                == 0
            ):
                return
            if now - began > _PATIENCE:
                raise Trouble(
                    f"PostgreSQL was not ready after 5 minutes (log: {self.log}); start again."
                )
            if now - told > 10:
                say(f"PostgreSQL is putting its data in order ({now - began:.0f} s).")
                told = now
            time.sleep(0.1)


def pid_in(note: Path) -> int | None:
    """The process in a postmaster.pid, read again when the file is caught half-written."""
    for _ in range(20):
        try:
            lines = note.read_text(encoding="utf-8", errors="replace").splitlines()
        except FileNotFoundError:
            return None
        if lines and lines[0].strip().isdigit():
            return int(lines[0])
        time.sleep(0.05)
    return None


def is_server(words: list[str], data: Path) -> bool:
    """Whether a command line is that of a PostgreSQL server on this data folder."""
    named = [words[i + 1] for i, word in enumerate(words[:-1]) if word == "-D"]
    return Path(words[0]).name.startswith("postgres") and str(data) in named


def _reason(text: str) -> str:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return next(
        (line for line in lines if "error" in line.lower()),
        lines[-1] if lines else "no reason given",
    )

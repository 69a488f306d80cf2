"""The site in processes that may be killed: gunicorn with two web processes, a worker, PostgreSQL, Redis."""

import http.client
import os
import signal
import time
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
from django.db import connection

from studylab.backups import trial
from tests.outbox.faults.servers import Broker, Crew, Database
from tests.outbox.faults.told_clock import ToldOffset
from tests.processes import until

_WAITING = """
    SELECT a.pid FROM pg_stat_activity a JOIN pg_locks l ON l.pid = a.pid AND NOT l.granted
    WHERE a.datname = current_database()"""


@dataclass
class Site:
    """What a test plays with."""

    crew: Crew
    broker: Broker
    database: Database
    clock: ToldOffset
    port: int
    offset: timedelta = field(default=timedelta(0))
    master: int = 0

    def open(self) -> None:
        """Start the web processes and wait for an answer."""
        words = ["gunicorn", "tests.faults.web:application", "--bind", f"127.0.0.1:{self.port}"]
        words += [
            "--worker-class",
            "gthread",
            "--workers",
            "2",
            "--threads",
            "8",
            "--timeout",
            "30",
        ]
        words += ["--no-control-socket", "--graceful-timeout", "1"]
        self.master = self.crew.start(f"web{len(self.crew.everybody)}", words)
        until(lambda: self.answers("/healthz/ready"), lambda: self.crew.folder)

    def answers(self, path: str) -> bool:
        """Whether it says that all is well."""
        server = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        with suppress(OSError, http.client.HTTPException):
            server.request("GET", path)
            return server.getresponse().status == 200
        return False

    def web_processes(self) -> list[int]:
        """Return the processes that answer."""
        with suppress(OSError):
            text = Path(f"/proc/{self.master}/task/{self.master}/children").read_text("ascii")
            return [int(number) for number in text.split()]
        return []

    def kill_web(self) -> None:
        """Kill -9 both web processes; their master starts new ones."""
        for process in self.web_processes():
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)

    def kill_one_web(self) -> None:
        """Kill -9 one of both."""
        for process in self.web_processes()[:1]:
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)

    def forget(self) -> None:
        """Let Redis forget everything."""
        self.broker.client.flushall()

    def kill_master(self) -> None:
        """Kill -9 the web server as a whole, and start it again."""
        self.crew.kill(self.master)
        self.open()

    def crash_database(self) -> None:
        """Let PostgreSQL end at once, as in a power cut, and start it again."""
        self.database.stop(signal.SIGQUIT)
        self.database.start()

    def at(self, moment: datetime) -> None:
        """Put every clock on a moment."""
        self.offset = moment - datetime.now(UTC)
        self.clock.tell(self.offset)

    def later(self, seconds: int) -> None:
        """Let every clock jump."""
        self.offset += timedelta(seconds=seconds)
        self.clock.tell(self.offset)


class Held:
    """Keeps everybody from writing into a table, so that acts stand still in their middle where a test wants them."""

    def __init__(self, table: str) -> None:
        self._session = psycopg.connect(trial.address_of(connection.settings_dict["NAME"]))
        self._session.execute(f"LOCK TABLE {table} IN SHARE MODE")  # type: ignore[arg-type]

    def cut_off(self) -> None:
        """End the sessions that wait here: their processes are gone, which the server would find out only afterwards."""
        with suppress(psycopg.Error):
            for (number,) in self._session.execute(_WAITING).fetchall():
                self._session.execute("SELECT pg_terminate_backend(%s)", [number])
        self.let_go()

    def let_go(self) -> None:
        """Let them go on."""
        with suppress(psycopg.Error):
            self._session.close()


def stand_still(many: int) -> None:
    """Wait until so many sessions wait for a lock."""
    url = trial.address_of(connection.settings_dict["NAME"])
    with psycopg.connect(url, autocommit=True) as session:
        over = time.monotonic() + 60
        while (found := len(session.execute(_WAITING).fetchall())) < many:
            assert time.monotonic() < over, found
            time.sleep(0.05)

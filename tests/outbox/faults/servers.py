"""A PostgreSQL and a Redis that a test may break, and worker processes that it may kill."""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import redis
from django.conf import settings
from django.db import connection

from studylab import env
from studylab.boot.database import thrown_away
from studylab.boot.pg_server import Server
from studylab.boot.places import Places
from studylab.boot.process import StopRequest, end
from tests.processes import PATIENCE, until

# Options of columns belong to the server that they come from; another may not know them, and none are ours.
_OWN_OPTIONS = re.compile(rb"^ALTER TABLE ONLY \S+ ALTER COLUMN \S+ SET \(.*\);\n", re.MULTILINE)


@dataclass
class Database:
    """A PostgreSQL of the test's own, with the tables of the test database."""

    server: Server
    password: str

    def stop(self, how: signal.Signals) -> None:
        """SIGINT ends it in order, sessions broken off; SIGQUIT as a crash does."""
        connection.close()
        assert self.server.child is not None
        end(self.server.child, first=how, grace=30)
        self.server.child = None

    def start(self) -> None:
        """Start it again on the same data; after a crash that is a recovery."""
        self.server.start(self.password)


@contextmanager
def own_database(patch: pytest.MonkeyPatch, *, sure: bool = False) -> Iterator[Database]:
    """Run a server of our own and point this process and its children to it; a `sure` one keeps what it committed."""
    places = Places(settings.BASE_DIR, settings.BASE_DIR / ".studylab")
    places.make()
    here = urlsplit(os.environ["DATABASE_URL"])
    model = here._replace(path=f"/{connection.settings_dict['NAME']}").geturl()
    log = "postgresql-faults.log"
    with thrown_away(places, StopRequest(), log, sure=sure) as (server, password):
        url = server.url(password)
        _copy_tables(server.bin, model, url)
        connection.close()
        with patch.context() as within:
            within.setenv("DATABASE_URL", url)
            own = env.database("DATABASE_URL")
            for key in ("NAME", "USER", "PASSWORD", "HOST", "PORT"):
                within.setitem(connection.settings_dict, key, own[key])
            try:
                yield Database(server, password)
            finally:
                connection.close()


def _copy_tables(programs: Path, model: str, url: str) -> None:
    """Copy what the migrations made: much quicker than running them again."""
    words = ["--no-owner", "--no-privileges", "--dbname", model]
    dump = subprocess.run([programs / "pg_dump", *words], capture_output=True, check=False)
    assert dump.returncode == 0, dump.stderr.decode()
    text = _OWN_OPTIONS.sub(b"", dump.stdout)
    words = ["-X", "-q", "-v", "ON_ERROR_STOP=1", "-1", "-d", url]
    read = subprocess.run([programs / "psql", *words], input=text, capture_output=True, check=False)
    assert read.returncode == 0, read.stderr.decode()


class Broker:
    """A Redis of the test's own, which keeps nothing when it ends."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.url, self.folder = f"redis://127.0.0.1:{self.port}/0", folder
        self.client = redis.Redis.from_url(self.url)
        self.start()

    def start(self) -> None:
        """Start it, empty."""
        words = [
            "--port",
            str(self.port),
            "--bind",
            "127.0.0.1",
            "--save",
            "",
            "--dir",
            self.folder,
        ]
        self.process = subprocess.Popen(
            ["redis-server", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._answers)

    def knocks(self) -> int:
        """Return how many messages wait to be taken."""
        return sum(int(self.client.llen(one.name)) for one in settings.CELERY_TASK_QUEUES)

    def kill(self) -> None:
        """End it at once; everything in it is lost."""
        self.process.kill()
        self.process.wait(PATIENCE)

    def _answers(self) -> bool:
        with suppress(redis.ConnectionError):
            return bool(self.client.ping())
        return False


def redis_here(request: pytest.FixtureRequest) -> None:
    """Skip the test by name where no Redis can be started; fail where one is required."""
    if shutil.which("redis-server") is None:
        if request.node.get_closest_marker("required_here"):
            pytest.fail("There is no program redis-server.")
        pytest.skip("There is no program redis-server.")


@dataclass
class Crew:
    """Workers and schedulers by their process ids. Each leads a process group and writes into a file of its own."""

    folder: Path
    given: dict[str, str]
    source: str = "tests.outbox.faults.forge"
    everybody: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start what forks them (`forge`)."""
        (self.folder / "children").mkdir()
        more = {"FAULTS_CHILDREN": str(self.folder / "children")}
        self.forge = subprocess.Popen(
            [sys.executable, "-m", self.source],
            cwd=settings.BASE_DIR,
            env={**os.environ, **self.given, **more},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def worker(self, pool: str) -> int:
        """Start a worker; with "prefork" a child of it does the work."""
        words = ["worker", f"--pool={pool}", "--concurrency=1", "--loglevel=INFO"]
        name = f"worker{len(self.everybody)}"
        return self.start(
            name, ["celery", *words, "--without-mingle", "--without-gossip", "-n", name]
        )

    def beat(self) -> int:
        """Start a scheduler."""
        place = self.folder / f"times{len(self.everybody)}"
        words = ["beat", "--schedule", str(place), "--pidfile=", "--loglevel=INFO"]
        return self.start(f"beat{len(self.everybody)}", ["celery", *words])

    def child(self, worker: int) -> int:
        """Return the newest child of a worker that forks."""
        noted = (self.folder / "children").glob(f"{worker}.*")
        newest = max(noted, key=lambda path: path.stat().st_mtime_ns)
        return int(newest.name.rpartition(".")[2])

    def kill(self, process: int) -> None:
        """Kill -9 a process and its children."""
        with suppress(ProcessLookupError):
            os.killpg(process, signal.SIGKILL)

    def end(self) -> None:
        """Kill whatever still runs."""
        for process in self.everybody:
            self.kill(process)
        self.forge.kill()
        self.forge.communicate()

    def start(self, name: str, words: list[str]) -> int:
        """Start a program that the forge knows; return its process."""
        assert self.forge.stdin is not None
        assert self.forge.stdout is not None
        order = {"words": words, "output": str(self.folder / f"{name}.log")}
        print(json.dumps(order), file=self.forge.stdin, flush=True)
        process = int(self.forge.stdout.readline())
        self.everybody.append(process)
        return process

"""Real background processes for the few tests that need one: started over a message broker, ended in the end."""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.db import connection

PATIENCE = 90


def broker(request: pytest.FixtureRequest) -> str:
    """Return the address of a Redis server, or skip the test by name."""
    address = os.environ.get("STUDYLAB_TEST_REDIS_URL", "")
    if not address:
        if request.node.get_closest_marker("required_here"):
            pytest.fail("STUDYLAB_TEST_REDIS_URL names no Redis server.")
        pytest.skip("STUDYLAB_TEST_REDIS_URL names no Redis server.")
    return address


@contextmanager
def running(
    address: str, *words: str, app: str = "studylab", **more: str
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a process of Celery on the test's database, until the block ends."""
    server = urlsplit(os.environ["DATABASE_URL"])
    database = server._replace(path=f"/{connection.settings_dict['NAME']}").geturl()
    process = subprocess.Popen(
        [sys.executable, "-m", "celery", "-A", app, *words],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": database, "REDIS_URL": address, **more},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(PATIENCE)


def worker(address: str, queue: str) -> AbstractContextManager[subprocess.Popen[bytes]]:
    """Run a worker that hears one queue only."""
    words = ("worker", "--pool=solo", "--queues", queue, "--without-mingle", "--without-gossip")
    return running(address, *words)


def until(done: Callable[[], object], said: Callable[[], object] = lambda: "") -> None:
    """Wait until something is so; `said` tells what stood there when it never was."""
    over = time.monotonic() + PATIENCE
    while not done():
        assert time.monotonic() < over, said()
        time.sleep(0.2)

"""The site of the faults, built and cleared away."""

import socket
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.faults.site import Site
from tests.outbox.faults.servers import Broker, Crew, own_database, redis_here
from tests.outbox.faults.told_clock import ToldOffset


@pytest.fixture
def site(
    request: pytest.FixtureRequest, transactional_db: None, tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Site]:  # fmt: skip
    """Everything is the test's own: PostgreSQL that keeps what it commits, Redis, web server, worker, and their clock."""
    redis_here(request)
    clock = settings.CLOCK_OFFSET = ToldOffset(tmp_path / "clock")
    clock.tell(timedelta(0))
    with ExitStack() as stack:
        broker = Broker(tmp_path)
        stack.callback(broker.kill)
        database = stack.enter_context(own_database(monkeypatch, sure=True))
        given = {
            "REDIS_URL": broker.url,
            "FAULTS_CLOCK": str(clock.place),
            "STUDYLAB_CONN_MAX_AGE": "60",
        }
        monkeypatch.setenv("FAULTS_CLOCK", str(clock.place))
        crew = Crew(tmp_path, given, "tests.faults.forge")
        stack.callback(crew.end)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        yield Site(crew, broker, database, clock, port)

"""The scene of the faults, built and cleared away."""

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests import cast
from tests.outbox.faults.scene import Scene
from tests.outbox.faults.servers import Broker, Crew, own_database, redis_here
from tests.outbox.faults.sink import Sink
from tests.outbox.faults.told_clock import ToldOffset
from tests.outbox.mail_server import mail_server


@pytest.fixture
def scene(
    request: pytest.FixtureRequest,
    transactional_db: None,
    tmp_path: Path,
    settings: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Scene]:
    """Everything is the test's own: PostgreSQL, Redis, mail server, workers, schedulers, and the clock of all of them."""
    redis_here(request)
    clock = settings.CLOCK_OFFSET = ToldOffset(tmp_path / "clock")
    clock.tell(timedelta(0))
    sink = Sink()
    with ExitStack() as stack:
        broker = Broker(tmp_path)
        stack.callback(broker.kill)
        database = stack.enter_context(own_database(monkeypatch))
        port = stack.enter_context(mail_server(sink))
        crew = Crew(tmp_path, _given(broker, port, clock))
        stack.callback(crew.end)
        yield Scene(cast.make_study(), sink, clock, crew, broker, database)


def _given(broker: Broker, port: int, clock: ToldOffset) -> dict[str, str]:
    """What workers and schedulers are told by their environment."""
    return {
        "REDIS_URL": broker.url,
        "FAULTS_CLOCK": str(clock.place),
        "STUDYLAB_SMTP_HOST": "127.0.0.1",
        "STUDYLAB_SMTP_PORT": str(port),
        "STUDYLAB_SMTP_SECURITY": "none",
        "STUDYLAB_SMTP_SECONDS": "5",
        "STUDYLAB_MAIL_FROM": "study@lab.example",
    }

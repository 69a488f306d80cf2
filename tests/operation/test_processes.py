"""A real worker and a real scheduler: both say that they live, a tick goes from one to the other, a kill is seen."""

from datetime import timedelta
from pathlib import Path
from uuid import uuid4

import pytest

from studylab import clock
from studylab.operation.checks import last_tick
from studylab.operation.models import ProcessBeat
from studylab.operation.rules.status import State
from studylab.operation.status import status_lines
from tests.processes import broker, running, until, worker

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.redis, pytest.mark.slow]


def stands(key: str) -> State:
    return next(line.state for line in status_lines(clock.now()) if line.key == key)


def test_both_live_then_the_worker_is_killed_and_the_scheduler_says_goodbye(
    request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    address, name = broker(request), f"tick-{uuid4().hex}"
    times = ("--schedule", str(tmp_path / "times"), "--pidfile=")
    with (
        worker(address, name) as killed,
        running(address, "beat", *times, app="tests.operation.quick", TICK_QUEUE=name),
    ):
        until(last_tick)
        until(lambda: ProcessBeat.objects.count() == 2)
        assert {stands("workers"), stands("beat")} == {State.OK}
        killed.kill()
        killed.wait()
    assert stands("workers") == State.OK, "it was heard of a moment ago"
    until(lambda: ProcessBeat.objects.filter(kind="scheduler", stopped_at__isnull=False).exists())
    with clock.travel(clock.now() + timedelta(minutes=2)):
        line = next(line for line in status_lines(clock.now()) if line.key == "workers")
    row = ProcessBeat.objects.get(kind="worker")
    assert (line.state, line.since, row.stopped_at) == (State.WRONG, row.seen_at, None)
    assert str(killed.pid) in row.name

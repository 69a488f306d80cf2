"""A plan from the question to its end by a real worker over a real message broker."""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from urllib.parse import urlsplit
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import connection
from kombu import Connection

from scheduling.models import PlanRun
from scheduling.services.plans import plan_ask, plan_stop
from scheduling.tasks import make_plan
from studylab import clock
from studylab.audit.models import Event
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.redis, pytest.mark.slow]
PEOPLE, PATIENCE = 24, 90


@pytest.fixture
def queue(request: pytest.FixtureRequest) -> Iterator[tuple[str, Connection]]:
    """A queue that only the worker of this test hears, and the way to it."""
    address, name = os.environ.get("STUDYLAB_TEST_REDIS_URL", ""), f"plan-{uuid4().hex}"
    if not address:
        if request.node.get_closest_marker("required_here"):
            pytest.fail("STUDYLAB_TEST_REDIS_URL names no Redis server.")
        pytest.skip("STUDYLAB_TEST_REDIS_URL names no Redis server.")
    server = urlsplit(os.environ["DATABASE_URL"])
    database = server._replace(path=f"/{connection.settings_dict['NAME']}").geturl()
    words = ["worker", "--pool=solo", "--queues", name, "--without-mingle", "--without-gossip"]
    worker = subprocess.Popen(
        [sys.executable, "-m", "celery", "-A", "studylab", *words],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": database, "REDIS_URL": address},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    with Connection(address) as way:
        yield name, way
    worker.terminate()
    worker.wait(PATIENCE)


def until(run: PlanRun, done: Callable[[PlanRun], object]) -> None:
    """Look at the run until it is as wanted."""
    over = time.monotonic() + PATIENCE
    while not done(run):
        assert time.monotonic() < over, (run.state, run.stage, run.trouble)
        time.sleep(0.2)
        run.refresh_from_db()


def test_from_the_question_to_progress_to_a_stop(
    queue, study, lead, coordinator, clinician
) -> None:
    """Stopped long before its time is over, it keeps the best found so far; a second knock changes nothing."""
    the_lab.make_lab(cast.actor_of(lead, study), rooms=1)
    for number in range(PEOPLE):
        the_lab.ready_volunteer(study, clinician, number + 1)
    actor = cast.actor_of(coordinator, study)
    first = clock.now().astimezone(study.zone).date() + timedelta(days=1)
    run = plan_ask(
        study=study, purpose="plan", first_day=first, last_day=first + timedelta(days=12),
        movable_from=None, seconds=300, actor=actor,
    )  # fmt: skip
    name, way = queue
    for _ in range(2):
        make_plan.apply_async((run.pk,), queue=name, connection=way)
    until(run, lambda row: row.placed and row.bound)
    assert (run.state, run.people) == ("running", PEOPLE)
    assert run.story
    plan_stop(run=run, actor=actor)
    until(run, lambda row: not row.is_open)
    assert (run.state, run.trouble) == ("stopped", "")
    assert 0 < run.rows.count() == run.placed <= run.bound
    assert run.ended_at - run.stop_at < timedelta(seconds=30)
    assert Event.objects.filter(action="plan.stopped").count() == 1

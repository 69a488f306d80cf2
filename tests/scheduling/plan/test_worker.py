"""A plan from the question to its end by real workers over a real message broker, one of which is killed."""

from datetime import timedelta
from uuid import uuid4

import pytest
from kombu import Connection

from scheduling.models import PlanRun
from scheduling.services.plans import plan_ask, plan_stop
from scheduling.tasks import make_plan
from studylab import clock
from studylab.audit.models import Event
from studylab.operation import lease
from tests import cast
from tests.processes import broker, until, worker
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.redis, pytest.mark.slow]
PEOPLE = 24


def test_from_the_question_to_a_killed_worker_to_another_one_to_a_stop(
    request, study, lead, coordinator, clinician
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
    address, name = broker(request), f"plan-{uuid4().hex}"

    def knock() -> None:
        make_plan.apply_async((run.pk,), queue=name, connection=Connection(address))

    def seen(*states: str) -> bool:
        run.refresh_from_db()
        return run.state in states and (run.state != "running" or bool(run.placed and run.bound))

    def stands() -> object:
        return run.state, run.stage, run.trouble

    with worker(address, name) as killed:
        knock()
        until(lambda: seen("running"), stands)
        killed.kill()
        killed.wait()
    assert (run.attempt, run.people) == (1, PEOPLE)
    silent = clock.now() + lease.SILENT + timedelta(seconds=10)
    assert lease.take_back(PlanRun, silent, then="") == 1
    with worker(address, name):
        for _ in range(2):
            knock()
        until(lambda: seen("running"), stands)
        assert (run.attempt, bool(run.story)) == (2, True)
        plan_stop(run=run, actor=actor)
        until(lambda: seen("stopped", "failed", "ready"), stands)
    assert (run.state, run.trouble) == ("stopped", "")
    assert 0 < run.rows.count() == run.placed <= run.bound
    assert run.ended_at - run.stop_at < timedelta(seconds=30)
    assert Event.objects.filter(action="plan.stopped").count() == 1

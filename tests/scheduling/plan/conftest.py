"""A batch that can be planned, and plans made by the solver's real process."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from scheduling.models import PlanRun
from scheduling.services.plan_work import work
from scheduling.services.plans import plan_ask
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab
from tests.worlds import world

MONDAY = date(2026, 11, 30)


@world
def batch(lab: None, study: Any, clinician: Any) -> list[Participant]:
    """Four volunteers who are signed off and have no series."""
    return [the_lab.ready_volunteer(study, clinician, n + 1) for n in range(4)]


@pytest.fixture
def ask(study: Any, booker: Actor) -> Callable[..., PlanRun]:
    """Return a maker of queued plans over three days, searched for one second."""

    def make(**changes: Any) -> PlanRun:
        asked = {
            "purpose": "plan", "first_day": MONDAY, "last_day": MONDAY + timedelta(days=2),
            "movable_from": None, "seconds": 15, **changes,
        }  # fmt: skip
        run = plan_ask(study=study, actor=booker, **asked)
        PlanRun.objects.filter(pk=run.pk).update(seconds=1)
        return run

    return make


@pytest.fixture
def planned(batch: list[Participant], ask: Callable[..., PlanRun]) -> PlanRun:
    """A plan for the batch that is ready."""
    run = ask()
    assert work(run.pk)
    run.refresh_from_db()
    return run

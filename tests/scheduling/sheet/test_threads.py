"""Two people give the dose at the same moment, over connections of their own: one dose."""

import contextvars
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any
from uuid import uuid4

import pytest
from django.db import connections

from scheduling.models import Dose, StepRecord
from scheduling.services.cover import cover_check_out
from studylab import clock
from studylab.allocation.models import Kit, KitMovement
from studylab.errors import StudylabError
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.database, pytest.mark.slow]


def at_once(case: Case, tasks: list[Callable[[], Any]]) -> list[str]:
    """Run all tasks from the same moment on; return "done" or the code of the refusal, sorted."""
    barrier = Barrier(len(tasks))

    def run(task: Callable[[], Any]) -> str:
        try:
            barrier.wait(timeout=30)
            task()
        except StudylabError as refusal:
            return ",".join(getattr(refusal, "codes", (refusal.code,)))
        finally:
            connections.close_all()
        return "done"

    with clock.travel(case.t), ThreadPoolExecutor(len(tasks)) as pool:
        contexts = [contextvars.copy_context() for _ in tasks]  # the set clock goes along
        futures = [
            pool.submit(context.run, run, task)
            for context, task in zip(contexts, tasks, strict=True)
        ]
        return sorted(future.result(timeout=120) for future in futures)


def test_two_doses_at_once_are_one() -> None:
    case = Case().ready()
    assert at_once(case, [case.give] * 4) == ["already_dosed"] * 3 + ["done"]
    assert Dose.objects.count() == 1
    assert StepRecord.objects.filter(step="dose").count() == 1
    assert KitMovement.objects.filter(what="give").count() == 1


def test_the_same_act_sent_four_times_at_once_is_one_dose_for_all() -> None:
    case = Case().ready()
    client_id = uuid4()
    assert at_once(case, [lambda: case.give(client_id=client_id)] * 4) == ["done"] * 4
    assert Dose.objects.count() == 1


def test_a_physician_checking_out_while_the_dose_is_given_is_either_refused_or_missed() -> None:
    case = Case().ready()

    def out() -> Any:
        return cover_check_out(actor=case.actor("clinician"))

    outcome = at_once(case, [case.give, out])
    assert outcome in (["cover_needed", "done"], ["cover_absent,cover_short", "done"])
    assert Dose.objects.count() == outcome.count("cover_needed")
    assert Kit.objects.filter(state="given").count() == Dose.objects.count()

"""The planner's pages as the coordinator uses them, with and without htmx."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import PlanRun, Series
from scheduling.selectors.sealed import option_from_json
from scheduling.services.booking import series_book
from studylab.access import Actor
from studylab.participants.models import Participant
from studylab.studies.selectors import plan_of
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def desk(coordinator: Any, client_of: Callable[[Any], Client]) -> Client:
    return client_of(coordinator)


def address(study: Any, name: str, *more: Any) -> str:
    return reverse(name, args=[study.slug, *more])


def test_from_the_calendar_to_a_plan_that_waits(
    desk: Client, batch: list[Participant], study: Any
) -> None:
    assert address(study, "plan") in desk.get(address(study, "calendar")).text
    page = desk.get(address(study, "plan"))
    assert "4 signed off and without a series" in page.text
    assert "No plan has been asked for yet" in page.text
    asked = {"first_day": "2026-11-30", "last_day": "2026-12-02", "seconds": "15"}
    wrong = desk.post(
        address(study, "plan"), asked | {"last_day": "2026-11-24", "first_day": "2026-11-25"}
    )
    assert wrong.status_code == 422
    assert "before the first day" in wrong.text
    assert 'value="2026-11-24"' in wrong.text
    run = desk.post(address(study, "plan"), asked, follow=True)
    assert "waiting to begin" in run.text
    assert "Look again" in run.text  # the way on without a script
    row = PlanRun.objects.get()
    part = desk.get(address(study, "plan_progress", row.uid), headers={"HX-Request": "true"})
    assert "<html" not in part.text
    assert "HX-Refresh" not in part.headers
    assert "A plan is being made" in desk.get(address(study, "plan")).text
    desk.post(address(study, "plan_halt", row.uid))
    part = desk.get(address(study, "plan_progress", row.uid), headers={"HX-Request": "true"})
    assert part.headers["HX-Refresh"] == "true"
    assert "The plan proposes nothing" in desk.get(address(study, "plan_run", row.uid)).text


def test_nobody_to_plan_is_said(desk: Client, lab: None, study: Any) -> None:
    assert "Nobody waits for a series" in desk.get(address(study, "plan")).text


def test_taking_what_is_ticked(desk: Client, planned: PlanRun, study: Any) -> None:
    here = address(study, "plan_run", planned.uid)
    page = desk.get(here)
    assert "4 of 4" in page.text
    assert "nobody can be placed more" in page.text
    nothing = desk.post(here, {"what": "ticked"})
    assert nothing.status_code == 422
    assert "Tick at least one" in nothing.text
    first = planned.rows.first()
    assert first is not None
    done = desk.post(here, {"what": "ticked", "row": [str(first.uid), "nonsense"]}, follow=True)
    assert "1 series booked or moved" in done.text
    assert "not taken" in done.text
    assert Series.objects.get().participant == first.participant


def test_an_outdated_plan_answers_409_and_says_line_by_line(
    desk: Client, planned: PlanRun, study: Any, clinician: Any, booker: Actor
) -> None:
    row = planned.rows.first()
    assert row is not None
    option = option_from_json(plan_of(planned.protocol_version), row.option)
    series_book(
        participant=the_lab.ready_volunteer(study, clinician, 9), option=option, actor=booker
    )
    page = desk.post(address(study, "plan_run", planned.uid), {"what": "all"})
    assert page.status_code == 409
    assert "the world changed" in page.text
    ticks = {shown.code: ticked for shown, ticked in page.context["rows"]}
    assert not ticks.pop(row.participant.code)
    assert all(ticks.values())
    rest = [str(shown.uid) for shown, ticked in page.context["rows"] if ticked]
    assert (
        desk.post(
            address(study, "plan_run", planned.uid), {"what": "ticked", "row": rest}
        ).status_code
        == 302
    )


def test_another_study_does_not_see_it(planned: PlanRun, outsider: Any, client_of: Callable[[Any], Client]) -> None:  # fmt: skip
    there = reverse("plan_run", args=["other-study", planned.uid])
    assert client_of(outsider).get(there).status_code == 404

"""The overview of those who read the record: safety first, then progress."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.access import Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.services import audit
from studylab.audit.tasks import verify
from studylab.reports.selectors.asked import Asked
from studylab.reports.selectors.overview import safety_figures
from studylab.reports.selectors.path import people_on_path
from tests import cast
from tests.reports.conftest import client_for, screened
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def figures(study: Any, lead: Any) -> dict[str, tuple[int, str]]:
    now = clock.now()
    found = safety_figures(
        cast.actor_of(lead, study), people_on_path(study, now), Asked(study, now)
    )
    return {one.label: (one.number, one.shape) for one in found}


def test_safety_stands_before_work_and_progress(
    study: Any, confirmed: Any, lab: None, everybody: dict[Role, Any]
) -> None:
    for role in (Role.LEAD, Role.MONITOR):
        page = client_for(everybody[role]).get(reverse("home", args=[study.slug])).content.decode()
        page = page[page.index("<main") :]
        waits = "work-count" if "work-count" in page else "Nothing waits for you now."
        order = [page.index(words) for words in ("How safety stands", waits, "Where everybody is")]
        assert order == sorted(order)


def test_what_is_nought_is_named_in_one_line_that_still_leads_there(
    study: Any, confirmed: Any, lab: None, lead: Any
) -> None:
    page = client_for(lead).get(reverse("home", args=[study.slug])).content.decode()
    tiles, none = page[page.index('id="figures"') :].split('class="figures-none"', 1)
    counted = figures(study, lead)
    assert {number > 0 for number, _shape in counted.values()} == {True, False}
    for label, (number, _shape) in counted.items():
        there, elsewhere = (tiles, none) if number else (none, tiles)
        assert label in there.replace("&#x27;", "'")
        assert f">{label}<" not in elsewhere.replace("&#x27;", "'")


def test_a_sign_off_that_lapsed_is_counted_until_the_dose(
    study: Any, confirmed: Any, lab: None, lead: Any, clinician: Any
) -> None:
    who = screened(the_lab.make_participant(study, 1))
    the_lab.sign_off(who, clinician)
    assert figures(study, lead)["sign-offs lapsed or void"] == (0, "ok")
    with clock.travel(clock.now() + timedelta(days=400)):
        assert figures(study, lead)["sign-offs lapsed or void"] == (1, "stop")


def test_the_seals_are_checked_once_a_day_and_the_overview_says_when_not(
    study: Any, confirmed: Any, lab: None, lead: Any
) -> None:
    due = "check of the record's seals due"
    assert figures(study, lead)[due] == (1, "warn")
    for minutes in range(
        3
    ):  # asked for by the first tick; nobody hears it, so the next one makes it
        with clock.travel(clock.now() + timedelta(minutes=minutes)):
            verify()
    assert Event.objects.filter(action="record.verified").count() == 1
    assert figures(study, lead)[due] == (0, "ok")
    page = reverse("safety", args=[study.slug])
    assert "Every seal fits." in client_for(lead).get(page).content.decode()
    with clock.travel(clock.now() + timedelta(days=1, minutes=5)):
        assert figures(study, lead)[due] == (1, "warn")
        assert "The seals were not checked within a day." in client_for(lead).get(page).content.decode()  # fmt: skip


def test_a_broken_seal_is_said_in_the_overview(
    study: Any, confirmed: Any, lab: None, lead: Any
) -> None:
    """That a broken chain is found is tested with the chain; here a check has found it."""
    found = {"intact": False, "links": 3, "unsealed": 0, "broken_at": 4}
    audit(
        actor=system_actor("daily check"), action=Action.RECORD_VERIFIED, subject_type="record",
        subject_code="", data=found,
    )  # fmt: skip
    assert figures(study, lead)["seal of the record broken"] == (1, "stop")
    page = client_for(lead).get(reverse("safety", args=[study.slug])).content.decode()
    assert "found a seal that does not fit" in page

"""Cases of field-cases.md, part C, that belong to booking: what must hold on the desk's own pages."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.urls import reverse

from scheduling.models import Booking, Closure, Place, Series, Visit
from scheduling.selectors.talks import to_confirm, unsettled
from scheduling.selectors.timelines import span
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from scheduling.services.talks import confirm_talk
from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict
from studylab.participants.models import Participant
from studylab.reports.selectors.work_booking import booking_groups
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK

pytestmark = [pytest.mark.django_db]


def test_f23_visits_after_the_clocks_went_forward_are_to_be_confirmed(
    booked: Series, study: Any, booker: Actor, coordinator: Any, client_of: Any
) -> None:
    """Saturday 13 to Monday 15 March 2027 in Halifax; clocks go forward on Sunday, 02:00 (IANA time zone database)."""
    later = datetime(2027, 3, 13, 14, tzinfo=UTC) - booked.visits.get(number=1).planned.lower
    for visit in booked.visits.all():
        visit.planned = span(visit.planned.lower + later, visit.planned.upper + later)
        visit.save(update_fields=["planned"])
    now = datetime(2027, 3, 12, 14, tzinfo=UTC)
    assert [row.visit.number for row in to_confirm(study, now)] == [2, 3]
    (group,) = [
        g for g in booking_groups(study, now) if g.title == "Confirm after the clock change"
    ]
    assert "The clocks went forward on Sun 14 Mar 2027" in group.items[0].text
    with clock.travel(now):
        here = reverse("series_view", args=[study.slug, booked.participant.code])
        page = client_of(coordinator).get(here).content.decode()
        assert [f'id="medicine-{number}" name="medicine"' in page for number in (1, 2, 3)] == [False, True, True]  # fmt: skip
        confirm_talk(visit=booked.visits.get(number=2), reached=True, note="", actor=booker)
    assert [row.visit.number for row in to_confirm(study, now)] == [3]


def test_f25_a_cancelled_series_stays_a_task_with_owner_and_date_until_it_is_settled(
    booked: Series, volunteer: Participant, study: Any, booker: Actor
) -> None:
    series_cancel(series=booked, reason="Came fasting", actor=booker)
    assert set(booked.visits.values_list("state", flat=True)) == {Visit.State.CANCELLED}
    now = clock.now()
    (task,) = unsettled(study, now)
    assert (task.participant, task.change.by_id) == (volunteer, booker.user_id)
    assert not task.overdue(now + timedelta(days=3))
    assert task.overdue(now + timedelta(days=3, minutes=1))
    series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)
    assert unsettled(study, now) == []


@pytest.mark.parametrize(
    ("number", "kind"), [(1, "sensor set"), (2, "physician cover"), (2, "dispensary")]
)
def test_f26_a_plan_that_lacks_something_is_refused_and_names_it(
    volunteer: Participant, booker: Actor, number: int, kind: str
) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    row = option.visits[number - 1]
    for place in Place.objects.filter(resource__kind=kind).select_related("resource"):
        Closure.objects.create(
            resource=place.resource, during=span(row.start, row.end), reason="Broken"
        )
    with pytest.raises(Conflict, match=f"Visit {number} on .* closed for part of the time"):
        series_book(participant=volunteer, option=option, actor=booker)
    assert not Series.objects.exists()


def test_f26_five_minutes_of_turnaround_are_an_overlap(
    volunteer: Participant, study: Any, clinician: Any, booker: Actor
) -> None:
    """The room is free again, but not clean: fifteen minutes in the study document, ten of them kept."""
    other = the_lab.ready_volunteer(study, clinician, 2)
    option = the_lab.find(volunteer, WEEK)[0]
    series = series_book(participant=volunteer, option=option, actor=booker)
    used = Booking.objects.filter(
        visit__series=series, visit__number=1, place__resource__kind="lab room"
    )
    taken = used.latest("during")
    assert taken.blocked.upper - taken.during.upper == timedelta(minutes=15)
    later = taken.during.upper + timedelta(minutes=10) - option.visits[0].start
    again = replace(option, visits=tuple(the_lab.shifted(row, later) for row in option.visits))
    with pytest.raises(Conflict, match=f"{taken.place.resource.name} is taken from"):
        series_book(participant=other, option=again, actor=booker)

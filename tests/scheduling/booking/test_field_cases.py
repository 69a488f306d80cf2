"""Cases of field-cases.md, part C, that belong to booking: what must hold on the desk's own pages."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Booking, Closure, Place, Resource, Series, Visit
from scheduling.selectors.outages import repairs_shown
from scheduling.selectors.talks import to_confirm, unsettled
from scheduling.selectors.timelines import span
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from scheduling.services.resources import resource_add, resource_retire
from scheduling.services.talks import confirm_talk
from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict
from studylab.management.demo.lab import DOCUMENT as DEMO
from studylab.participants.models import Participant
from studylab.reports.selectors.work_booking import booking_groups
from studylab.studies.document_checks import checked_protocol
from studylab.studies.rules.problems import ProtocolInvalid
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK, WISHES, book_url, page, tokens

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
    ("number", "kind"),
    [(1, "sensor set"), (2, "physician cover"), (2, "dispensary"), (2, "second checker")],
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


def test_f26_without_a_second_checker_the_form_stays_and_fresh_times_are_offered(
    desk: Client, volunteer: Participant
) -> None:
    """Both people who check doses are away at that time: named, refused, and the next times have one."""
    token = tokens(page(desk, f"{book_url(volunteer)}?{WISHES}"))[0]
    chosen = the_lab.find(
        volunteer, the_lab.wishes("2026-11-24", "2026-11-30", not_earlier=time(9))
    )[0]
    row = chosen.visits[1]
    for resource in Resource.objects.filter(kind="second checker"):
        Closure.objects.create(resource=resource, during=span(row.start, row.end), reason="Away")
    answer = desk.post(f"{book_url(volunteer)}?{WISHES}", {"option": token})
    html = answer.content.decode()
    assert answer.status_code == 409
    assert "Checker Number" in html
    assert "is closed for part of the time" in html
    assert 'value="09:00"' in html
    assert (
        desk.post(f"{book_url(volunteer)}?{WISHES}", {"option": tokens(html)[0]}).status_code == 302
    )
    assert Booking.objects.filter(place__resource__kind="second checker").count() == 1


def test_f26_nobody_checks_two_doses_at_once(
    volunteer: Participant, study: Any, clinician: Any, booker: Actor, lead: Any
) -> None:
    """One checker is left: the search never offers her twice, and the database refuses what was chosen before."""
    resource_retire(resource=the_lab.room("Checker Number2"), actor=the_lab.actor(study, lead))
    other = the_lab.ready_volunteer(study, clinician, 2)
    option = the_lab.find(volunteer, WEEK)[0]
    same = next(
        o for o in the_lab.find(other, WEEK, 60) if o.visits[1].start == option.visits[1].start
    )
    series_book(participant=volunteer, option=option, actor=booker)
    with pytest.raises(Conflict, match="Checker Number1 is taken from"):
        series_book(participant=other, option=same, actor=booker)
    starts = {o.visits[1].start for o in the_lab.find(other, WEEK, 60)}
    assert starts
    assert option.visits[1].start not in starts
    Resource.objects.filter(kind="second checker").update(is_active=False)
    assert the_lab.find(other, WEEK) == ()


def test_f26_a_checker_who_falls_ill_is_replaced_at_the_same_time(
    desk: Client, booked: Series, study: Any
) -> None:
    before = Booking.objects.get(visit__series=booked, place__resource__kind="second checker")
    row = booked.visits.get(number=2).planned
    Closure.objects.create(
        resource=before.place.resource, during=span(row.lower, row.upper), reason="Ill"
    )
    (shown,) = repairs_shown(study, clock.now())
    assert shown.kind == "place"
    sent = {f"option-{shown.uid}": shown.token, "row": [str(shown.uid)], "what": "ticked"}
    assert desk.post("/s/slide-story/calendar/repair/", sent).status_code == 302
    after = Booking.objects.get(
        visit__series=booked, place__resource__kind="second checker", is_active=True
    )
    assert after.place_id != before.place_id
    assert after.during == before.during


def test_f26_a_document_that_books_nobody_for_the_check_is_refused() -> None:
    text = DEMO.read_text(encoding="utf-8")
    without = text.replace('"second checker", "physician cover"', '"physician cover"')
    without = without.replace('"second checker" = 0\n', "")
    with pytest.raises(ProtocolInvalid) as refused:
        checked_protocol(without)
    (problem,) = refused.value.problems
    assert problem.key == "visits[2].segments[4].needs"
    assert "second person" in problem.message
    two = without.replace(
        'minutes = 10, needs = ["lab room", "experimenter", "physician cover", "dispensary"]',
        'minutes = 10, needs = ["lab room", { kind = "experimenter", count = 2 }, "physician cover", "dispensary"]',
    )
    assert checked_protocol(two).slug


def test_f26_a_person_is_one_bookable_thing_so_nobody_is_in_two_places(
    lab: None, study: Any, lead: Any
) -> None:
    """Somebody who runs visits and checks doses would be booked twice at once; cover is no task of its own."""
    person = Resource.objects.get(name="Helper Number1").user
    add = {
        "places": 1,
        "user": person,
        "timezone": study.timezone,
        "actor": the_lab.actor(study, lead),
    }
    with pytest.raises(Conflict, match="something else already"):
        resource_add(kind="second checker", name="Again", **add)
    assert resource_add(kind="physician cover", name="On cover", **add).user == person

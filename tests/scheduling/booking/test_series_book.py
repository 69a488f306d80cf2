"""Booking a series through the service."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from scheduling.models import Booking, Closure, Series, Visit
from scheduling.selectors.timelines import span
from scheduling.services.booking import series_book
from scheduling.services.resources import resource_retire
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Hold, Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WEEK = the_lab.wishes("2026-11-24", "2026-11-30")


def test_books_every_visit_and_every_place(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    series = series_book(participant=volunteer, option=option, actor=booker)
    visits = list(series.visits.order_by("number"))
    assert [(v.number, v.planned.lower, v.planned.upper) for v in visits] == [
        (row.number, row.start, row.end) for row in option.visits
    ]
    assert [v.person_id for v in visits] == [volunteer.person_id] * 3
    booked = Booking.objects.filter(visit=visits[1]).order_by("during", "place__resource__kind")
    kinds = {(row.place.resource.kind, tuple(row.segments)) for row in booked}
    assert ("waiting chair", ("wait",)) in kinds
    assert ("waiting chair", ("rest",)) in kinds
    assert ("dispensary", ("dose",)) in kinds
    before = ("before_dose", "reminder", "dose", "wait", "after_wait", "rest", "leaving")
    assert ("physician cover", before) in kinds
    assert ("lab room", ("arrive", "before_dose", "reminder", "dose")) in kinds


def test_books_in_few_questions(
    volunteer: Participant, booker: Actor, django_assert_max_num_queries: Any
) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    with django_assert_max_num_queries(37):  # the reminders, their quiet hours and gaps take seven
        series_book(participant=volunteer, option=option, actor=booker)


def test_turnaround_follows_each_use(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    series_book(participant=volunteer, option=option, actor=booker)
    held = {
        row.place.resource.kind: row.blocked.upper - row.during.upper
        for row in Booking.objects.select_related("place__resource")
    }
    assert held["lab room"] == timedelta(minutes=15)
    assert held["sensor set"] == timedelta(minutes=60)
    assert held["waiting chair"] == timedelta(0)


def test_windows_follow_the_protocol(volunteer: Participant, booker: Actor) -> None:
    """Visit 3 counts from the dose, 50 minutes into visit 2, so its window from the start is 50 min later."""
    option = the_lab.find(volunteer, WEEK)[0]
    series = series_book(participant=volunteer, option=option, actor=booker)
    one, two, three = series.visits.order_by("number")
    assert (one.anchor, one.gap_earliest) == (None, None)
    assert (two.anchor, two.gap_earliest, two.gap_latest) == (
        one, timedelta(hours=22), timedelta(hours=26),
    )  # fmt: skip
    assert (three.anchor, three.gap_earliest, three.gap_latest) == (
        two, timedelta(hours=20, minutes=50), timedelta(hours=28, minutes=50),
    )  # fmt: skip


def test_writes_the_trail_without_a_name(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    series = series_book(participant=volunteer, option=option, actor=booker)
    event = Event.objects.get(action="series.booked")
    assert event.participant_code == volunteer.code
    assert event.subject_code == str(series.uid)
    assert [row["number"] for row in event.data["visits"]] == [1, 2, 3]


def test_only_the_coordinator_books(volunteer: Participant, experimenter: Any, study: Any) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    with pytest.raises(NotAllowed):
        series_book(participant=volunteer, option=option, actor=cast.actor_of(experimenter, study))


def test_a_coordinator_of_another_study_cannot_book(volunteer: Participant, outsider: Any) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    other = outsider.memberships.first().study
    with pytest.raises(NotAllowed):
        series_book(participant=volunteer, option=option, actor=cast.actor_of(outsider, other))
    assert not Series.objects.exists()


def test_needs_a_sign_off(lab: None, study: Any, clinician: Any, booker: Actor) -> None:
    donor = the_lab.ready_volunteer(study, clinician, 1)
    option = the_lab.find(donor, WEEK)[0]
    unsigned = the_lab.make_participant(study, 2)
    with pytest.raises(RefusedWithReasons) as refused:
        series_book(participant=unsigned, option=option, actor=booker)
    assert any("sign-off" in reason for reason in refused.value.reasons)


def test_a_hold_stands_in_the_way(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    Hold.objects.create(
        participant=volunteer, kind="other", reason="Waits for a letter", opened_at=clock.now()
    )
    with pytest.raises(RefusedWithReasons) as refused:
        series_book(participant=volunteer, option=option, actor=booker)
    assert refused.value.reasons == ("A hold is open: a clinician releases it first.",)


def test_a_second_series_is_refused(volunteer: Participant, booker: Actor) -> None:
    first, second = the_lab.find(volunteer, WEEK)[:2]
    series_book(participant=volunteer, option=first, actor=booker)
    with pytest.raises(RefusedWithReasons, match="not booked"):
        series_book(participant=volunteer, option=second, actor=booker)
    assert Series.objects.count() == 1


def test_the_sign_off_must_last_until_the_dose(
    lab: None, study: Any, clinician: Any, booker: Actor
) -> None:
    short, long = the_lab.make_participant(study, 1), the_lab.make_participant(study, 2)
    the_lab.sign_off(short, clinician, days=3)
    the_lab.sign_off(long, clinician)
    late = the_lab.find(long, the_lab.wishes("2026-11-28", "2026-12-04"))[0]
    with pytest.raises(Refused, match="sign-off ends before the dose"):
        series_book(participant=short, option=late, actor=booker)
    offered = the_lab.find(short, the_lab.wishes("2026-11-23", "2026-12-10"), limit=60)
    valid_until = clock.now() + timedelta(days=3)
    assert offered
    assert all(row.visits[1].start + timedelta(minutes=50) < valid_until for row in offered)


def test_a_taken_room_is_named(
    volunteer: Participant, study: Any, clinician: Any, booker: Actor
) -> None:
    other = the_lab.ready_volunteer(study, clinician, 2)
    option = the_lab.find(volunteer, WEEK)[0]
    series_book(participant=volunteer, option=option, actor=booker)
    with pytest.raises(Conflict) as conflict:
        series_book(participant=other, option=option, actor=booker)
    assert "Room 1 is taken" in conflict.value.message
    assert "Tuesday 24 November 2026" in conflict.value.message
    assert Series.objects.count() == 1
    assert Visit.objects.count() == 3


def test_turnaround_overlap_is_refused(
    volunteer: Participant, study: Any, clinician: Any, booker: Actor
) -> None:
    """Ben's session would begin 5 minutes before Ana's room is ready again."""
    ana = the_lab.find(volunteer, WEEK)[0]
    series_book(participant=volunteer, option=ana, actor=booker)
    ben = the_lab.ready_volunteer(study, clinician, 2)
    first_room = ana.visits[0].segments[0].places
    later = replace(
        ana, visits=tuple(the_lab.shifted(row, timedelta(minutes=65 + 10)) for row in ana.visits)
    )  # visit 1 lasts 65, the room rests 15
    with pytest.raises(Conflict) as conflict:
        series_book(participant=ben, option=later, actor=booker)
    assert "is taken" in conflict.value.message
    assert first_room  # the option names the room that clashes


def test_a_closure_made_meanwhile_is_named(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    Closure.objects.create(
        during=span(option.visits[1].start, option.visits[1].end), reason="Power cut"
    )
    with pytest.raises(Conflict, match="closed for part of the time"):
        series_book(participant=volunteer, option=option, actor=booker)


def test_a_room_taken_out_of_use_meanwhile_is_refused(
    volunteer: Participant, booker: Actor, lead: Any, study: Any
) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    for name in ("Room 1", "Room 2"):
        resource_retire(resource=the_lab.room(name), actor=cast.actor_of(lead, study))
    with pytest.raises(Conflict, match="out of use"):
        series_book(participant=volunteer, option=option, actor=booker)


def test_what_has_begun_is_not_booked(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    with (
        clock.travel(option.visits[0].start + timedelta(minutes=1)),
        pytest.raises(Conflict, match="past already"),
    ):
        series_book(participant=volunteer, option=option, actor=booker)


def test_spacing_is_judged_again(volunteer: Participant, booker: Actor) -> None:
    """An option whose visit 3 was moved by hand to 31 hours after the dose is refused, not trusted."""
    option = the_lab.find(volunteer, WEEK)[0]
    late = the_lab.shifted(option.visits[2], timedelta(hours=8))
    with pytest.raises(Conflict, match="too late"):
        series_book(
            participant=volunteer,
            option=replace(option, visits=(*option.visits[:2], late)),
            actor=booker,
        )

"""Reminders follow their visits: in the same transaction, and once more at the moment of sending."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.utils import translation

from scheduling.models import Series, Visit
from scheduling.selectors.changes import newest_change
from scheduling.selectors.options import move_options
from scheduling.selectors.reminders import _clock, _span, reminder_values, reminder_wanted
from scheduling.services.change import series_cancel, visit_move
from scheduling.services.undo import change_undo
from studylab import clock
from studylab.access import Actor
from studylab.outbox.compose import compose
from studylab.outbox.kinds import kind_of
from studylab.outbox.models import Message
from studylab.outbox.services.planning import plan_all
from studylab.participants.rules.details import ContactDetails
from studylab.participants.services.volunteers import contact_write
from tests.scheduling.booking.addresses import WEEK

pytestmark = pytest.mark.django_db


def moves(row: Visit) -> Any:
    return move_options(visit=row, followers=False, wishes=WEEK, now=clock.now()).options


def waiting(visit: Visit) -> list[tuple[int, datetime]]:
    """Return revision and due time of what waits about a visit, the earliest first."""
    rows = Message.objects.filter(about=f"visit:{visit.pk}", state="waiting").order_by("due_at")
    return [(int(row.key.split(":")[2]), row.due_at) for row in rows]


def second(series: Series) -> Visit:
    return Visit.objects.select_related("series__participant__study", "participant__study").get(
        series=series, number=2
    )


def hours_before(visit: Visit, *hours: int) -> list[tuple[int, datetime]]:
    return [(visit.revision, visit.planned.lower - timedelta(hours=one)) for one in hours]


def test_booking_queues_what_the_document_says(booked: Series) -> None:
    """demo.toml: 48 and 3 hours before; of use until half of that time is over."""
    # Visit 1 is so near that its first reminder would be of no use any more.
    near = booked.visits.get(number=1)
    assert near.planned.lower - clock.now() <= timedelta(hours=24)
    assert Message.objects.count() == 5
    visit = second(booked)
    assert waiting(visit) == hours_before(visit, 48, 3)
    first = Message.objects.filter(about=f"visit:{visit.pk}").earliest("due_at")
    assert first.useful_until == visit.planned.lower - timedelta(hours=24)
    assert first.matters_until == visit.planned.lower  # until then somebody can still call
    assert first.participant == booked.participant


def test_a_moved_visit_takes_its_reminders_along(booked: Series, booker: Actor) -> None:
    visit = second(booked)
    option = next(o for o in moves(visit) if o.visits[0].start != visit.planned.lower)
    visit_move(visit=visit, option=option, reason="Volunteer asked", actor=booker)
    moved = second(booked)
    assert moved.planned.lower == option.visits[0].start
    assert waiting(moved) == hours_before(moved, 48, 3)
    dropped = Message.objects.filter(about=f"visit:{visit.pk}", state="dropped")
    assert {row.note for row in dropped} == {"The visit was moved or does not take place."}
    # Taken back, they stand at the old time again, and none of the other time.
    change = newest_change(booked, clock.now())
    assert change is not None
    change_undo(change=change, actor=booker)
    back = second(booked)
    assert waiting(back) == hours_before(back, 48, 3)
    assert back.planned == visit.planned


def test_a_cancelled_series_leaves_no_reminder(booked: Series, booker: Actor) -> None:
    series_cancel(series=booked, reason="Ill", actor=booker)
    assert not Message.objects.filter(state="waiting").exists()


def test_a_move_that_does_not_come_about_changes_nothing(booked: Series, booker: Actor) -> None:
    before = waiting(second(booked))

    def cancelled_and_broken() -> None:
        with transaction.atomic():
            series_cancel(series=booked, reason="Ill", actor=booker)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        cancelled_and_broken()
    assert waiting(second(booked)) == before


@pytest.mark.parametrize(
    "change",
    [
        {"state": "cancelled"},
        {"planned": "later"},
    ],
)
def test_what_changes_past_every_service_is_not_told(
    booked: Series, change: dict[str, Any]
) -> None:
    """Whatever way a visit took: at sending the reminder must still be the one of that visit."""
    visit = second(booked)
    message = Message.objects.filter(about=f"visit:{visit.pk}").earliest("due_at")
    assert reminder_wanted(message, clock.now()) == ""
    if change.get("planned"):
        span = type(visit.planned)(
            visit.planned.lower + timedelta(minutes=30), visit.planned.upper + timedelta(minutes=30)
        )
        change = {"planned": span}
    Visit.objects.filter(pk=visit.pk).update(**change)
    assert "moved" in kind_of(message.kind).wanted(message, clock.now())


def test_planning_again_queues_nothing_twice_and_finds_what_is_missing(booked: Series) -> None:
    before = set(Message.objects.values_list("key", flat=True))
    plan_all(clock.now())
    plan_all(clock.now())
    assert set(Message.objects.values_list("key", flat=True)) == before


def test_it_says_when_and_where_and_nothing_else(booked: Series) -> None:
    visit = second(booked)
    message = Message.objects.filter(about=f"visit:{visit.pk}").latest("due_at")
    values = reminder_values(message)
    local = visit.planned.lower.astimezone(booked.participant.study.zone)
    assert values["when"].startswith(
        f"{local:%A}, {local.day} {local:%B} {local.year}, {local:%H:%M} to "
    )
    assert values["when"].endswith("(America/Halifax)")
    assert "Quay Street" in values["where"]
    assert set(values) == {"when", "where", "clock", "phone"}


def test_the_clock_sentence_stands_within_three_days_after_a_change(booked: Series) -> None:
    """F-23: the clocks of Halifax went forward on Sunday 14 March 2027 at 06:00 UTC (tz database)."""
    visit, study = second(booked), booked.participant.study
    for start, expected in (
        (datetime(2027, 3, 13, 13, tzinfo=UTC), ""),
        (datetime(2027, 3, 14, 13, tzinfo=UTC), "10:00"),
        (datetime(2027, 3, 15, 13, tzinfo=UTC), "10:00"),
        (datetime(2027, 3, 18, 13, tzinfo=UTC), ""),
    ):
        visit.planned = type(visit.planned)(start, start + timedelta(hours=2))
        said = _clock(visit, study)
        assert (expected in said) if expected else said == ""


def test_in_french_every_word_is_french(booked: Series, settings: Any) -> None:
    settings.MAIL_FROM = "study@lab.example"
    study, visit = booked.participant.study, second(booked)
    study.languages = ["en", "fr-ca"]
    study.save()
    with translation.override("fr-ca"):
        said = _span(visit.planned.lower, visit.planned.upper, study)
        assert " to " not in said
        assert any(month in said for month in ("novembre", "décembre"))


def test_a_composed_reminder_names_no_study_and_no_drug(booked: Series, settings: Any) -> None:
    """F-28: subject and sender do not name the study's drug or condition; one address, no shared header."""
    settings.MAIL_FROM = "study@lab.example"
    contact_write(
        booked.participant.person,
        ContactDetails("Lopez", "Ana", date(1990, 4, 1), email="ana.lopez@mail.example"),
    )
    message = Message.objects.select_related("participant__person", "study").earliest("due_at")
    made = compose(message)
    assert made.to == "ana.lopez@mail.example"
    assert made.to.count("@") == 1
    for word in ("propranolol", "placebo", "beta", booked.participant.code):
        assert word not in f"{made.sender}{made.subject}{made.text}".lower()

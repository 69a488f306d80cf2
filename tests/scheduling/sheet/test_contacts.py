"""The contact after a dose, physicians at the site, and what Today shows of both."""

from datetime import timedelta

import pytest

from scheduling.models import AfterContact, CoverPresence
from scheduling.selectors.today import contacts_due, cover_now
from scheduling.services.cover import cover_check_in, cover_check_out
from studylab.access import Role
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Deviation, Hold
from tests import cast
from tests.scheduling.sheet.builder import MINUTE, Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def gone(rested: Case) -> Case:
    """Visit 2 is finished."""
    rested.leave()
    rested.finish(2)
    return rested


def due(case: Case) -> list[str]:
    return [row.state for row in contacts_due(case.study, case.t)]


def test_due_in_its_window_until_somebody_is_reached(gone: Case) -> None:
    given = gone.dose.given_at
    for hours, state in ((17.9, "early"), (18, "due"), (30, "due"), (30.1, "overdue")):
        gone.t = given + timedelta(hours=hours)
        assert due(gone) == [state]
    gone.contact(20, reached=False, symptoms=None, answers={})
    (row,) = contacts_due(gone.study, gone.t)
    assert (row.code, len(row.attempts)) == (gone.participant.code, 1)
    gone.contact(21)
    assert due(gone) == []


def test_reached_before_the_window_does_not_count_as_the_contact(gone: Case) -> None:
    gone.contact(6)
    assert due(gone) == ["early"]
    assert not Deviation.objects.exists()


def test_reached_after_the_window_counts_and_is_a_deviation(gone: Case) -> None:
    gone.contact(31)
    assert due(gone) == []
    assert Deviation.objects.get().kind == "wait"


def test_symptoms_open_a_hold(gone: Case) -> None:
    gone.contact(20, symptoms=True, note="Dizzy since the morning.")
    hold = Hold.objects.get(participant=gone.participant)
    assert hold.kind == "symptom"
    assert "Dizzy since the morning." in hold.reason


def test_not_reached_never_says_anything_about_symptoms(gone: Case) -> None:
    for changed in (
        {"reached": False, "symptoms": False},
        {"reached": False, "symptoms": True},
        {"reached": True, "symptoms": None},
        {"reached": True, "answers": {"How have you felt since you left?": "well"}},
    ):
        with pytest.raises(Refused):
            gone.contact(20, **changed)
    with pytest.raises(Refused) as refused:
        gone.contact(20, at=gone.dose.given_at - MINUTE)
    assert refused.value.field == "at"
    assert not AfterContact.objects.exists()


@pytest.mark.parametrize("order", [("contact", "visit"), ("visit", "contact")])
def test_completed_when_the_last_visit_and_the_contact_are_done(
    gone: Case, order: tuple[str, str]
) -> None:
    for n, act in enumerate(order):
        if act == "visit":
            gone.visit_three()
        else:
            gone.contact(20 if n == 0 else 29, "coordinator")
        gone.participant.refresh_from_db()
        assert (gone.participant.status == "completed") == (n == 1)
    gone.series.refresh_from_db()
    assert gone.series.state == "done"


# Cover -------------------------------------------------------------------------------------------


def out(case: Case, role: str = "clinician") -> CoverPresence:
    presence: CoverPresence = case.act(cover_check_out, role)
    return presence


def second_clinician(case: Case) -> None:
    with case.now():
        case.users["third"] = cast.make_user("Ida Brun")
        cast.join(case.users["third"], case.study, Role.CLINICIAN)


def test_in_and_out(booked: Case) -> None:
    booked.cover(3)
    assert [row.user for row in cover_now(booked.study, booked.t)] == [booked.users["clinician"]]
    booked.forward(10)
    booked.cover(5)  # said again: it moves the end
    (row,) = cover_now(booked.study, booked.t)
    assert row.until == booked.t + timedelta(hours=5)
    assert CoverPresence.objects.count() == 1
    assert out(booked).checked_out_at == booked.t
    assert cover_now(booked.study, booked.t) == []
    with pytest.raises(Conflict, match="not checked in"):
        out(booked)


def test_a_stay_that_ran_out_is_no_presence(booked: Case) -> None:
    booked.cover(1)
    booked.forward(60)
    assert cover_now(booked.study, booked.t) == []


def test_only_physicians_and_only_times_that_can_be_meant(booked: Case) -> None:
    with pytest.raises(NotAllowed):
        booked.cover(2, role="experimenter")
    for hours in (0, -1, 17):
        with pytest.raises(Refused) as refused:
            booked.cover(hours)
        assert refused.value.field == "until"
    with pytest.raises(Refused):
        booked.act(cover_check_in, "clinician", until=booked.t.replace(tzinfo=None))


def test_nobody_checks_out_while_somebody_is_between_dose_and_leaving(rested: Case) -> None:
    rested.t = rested.dose.given_at + 70 * MINUTE
    with pytest.raises(RefusedWithReasons) as refused:
        out(rested)
    assert rested.participant.code in refused.value.reasons[0]
    with pytest.raises(RefusedWithReasons, match="shorten"):
        rested.act(cover_check_in, "clinician", until=rested.t + 60 * MINUTE)
    second_clinician(rested)
    rested.cover(2, role="third")  # leaves before the volunteer may
    with pytest.raises(RefusedWithReasons):
        out(rested)
    rested.cover(3, role="third")
    assert out(rested).checked_out_at == rested.t
    with pytest.raises(RefusedWithReasons):
        out(rested, "third")


def test_once_the_volunteer_has_left_the_physician_may_go(rested: Case) -> None:
    with pytest.raises(RefusedWithReasons):
        out(rested)
    rested.leave()
    assert out(rested)

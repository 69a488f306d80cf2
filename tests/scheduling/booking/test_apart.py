"""Volunteers who know each other: offered and booked no time at which the other one is in the lab."""

from typing import Any

import pytest
from django.db import transaction

from scheduling.rules.gaps import overlap
from scheduling.services.booking import series_book
from studylab.errors import Conflict, Refused
from studylab.participants.models import Acquaintance, Participant
from studylab.participants.services.acquaintances import acquaintance_decide
from tests.allocation.raw_sql import refused_by_database
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ASKED = the_lab.wishes("2026-11-24", "2026-11-27")


@pytest.fixture
def friend(volunteer: Participant, study: Any, clinician: Any) -> Participant:
    return the_lab.ready_volunteer(study, clinician, 2)


def decide(booker: Any, who: Participant, code: str, *, apart: bool = True, why: str = "Flatmates") -> Any:  # fmt: skip
    return acquaintance_decide(participant=who, code=code, apart=apart, reason=why, actor=booker)


def test_two_who_know_each_other_are_kept_apart_until_somebody_says_why_not(
    volunteer: Participant, friend: Participant, booker: Any
) -> None:
    option = the_lab.find(friend, ASKED, limit=1)[0]
    series_book(participant=friend, option=option, actor=booker)
    taken = [(visit.start, visit.end) for visit in option.visits]
    beside = the_lab.find(volunteer, ASKED, limit=40)
    meets = [
        one for one in beside
        if any(overlap((v.start, v.end), time) for v in one.visits for time in taken)
    ]  # fmt: skip
    assert meets
    decide(booker, volunteer, friend.code.lower())
    with pytest.raises(Conflict, match="kept apart"), transaction.atomic():
        series_book(participant=volunteer, option=meets[0], actor=booker)
    for one in the_lab.find(volunteer, ASKED, limit=40):
        assert not any(overlap((v.start, v.end), time) for v in one.visits for time in taken)
    decide(booker, friend, volunteer.code, apart=False, why="They met once; the lead agrees")
    series_book(participant=volunteer, option=meets[0], actor=booker)


def test_who_they_are_must_be_two_volunteers_of_one_study(
    volunteer: Participant, friend: Participant, booker: Any
) -> None:
    for code, why in ((volunteer.code, "x"), ("HT-99999X", "x"), (friend.code, " ")):
        with pytest.raises(Refused):
            decide(booker, volunteer, code, why=why)
    assert not Acquaintance.objects.exists()
    refused_by_database(
        "INSERT INTO participants_acquaintance (one_id, other_id, apart, reason, at, by_id) "
        "VALUES (%s, %s, true, 'x', now(), %s)",
        friend.pk, volunteer.pk, booker.user_id, says="acquaintance_in_order",
    )  # fmt: skip

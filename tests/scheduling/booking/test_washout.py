"""Medicines on record keep the dose waiting: the search, booking and moving all keep to it."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.urls import reverse

from scheduling.rules.search import SeriesOption
from scheduling.rules.spacing import planned_anchors
from scheduling.selectors.options import move_options, series_options
from scheduling.services.booking import series_book
from scheduling.services.change import visit_move
from screening.models import AnswerSet
from studylab import clock
from studylab.access import Actor
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WEEK = the_lab.wishes("2026-11-24", "2026-12-01")
# St John's wort needs 14 days (the catalogue's number): last taken 10 days ago, so four days from now.
TAKEN = the_lab.NOW - timedelta(days=10)
EARLIEST = TAKEN + timedelta(days=14)


@pytest.fixture
def herbal(lab: None, study: Any, clinician: Any) -> Participant:
    """Somebody who stopped St John's wort ten days ago, signed off with that on record."""
    who = the_lab.make_participant(study, 2)
    medicine = {"name": "St John's wort", "last_taken": TAKEN.isoformat(), "prescribed": False}
    AnswerSet.objects.create(
        participant=who, when="screening", answers={}, medicines=[medicine], source="staff",
        given_at=clock.now(), recorded_at=clock.now(),
    )  # fmt: skip
    the_lab.sign_off(who, clinician)
    return who


def dose_of(participant: Participant, option: SeriesOption) -> datetime:
    plan = current_protocol(participant.study).plan
    starts = {row.number: row.start for row in option.visits}
    return planned_anchors(plan, starts)[f"{plan.dosing_visit.key}.dose"]


def test_only_series_after_the_earliest_dose_are_found(
    herbal: Participant, volunteer: Participant
) -> None:
    offered = the_lab.find(herbal, WEEK, limit=60)
    doses = [dose_of(herbal, option) for option in offered]
    assert doses
    assert min(doses) >= EARLIEST
    assert min(doses) - EARLIEST < timedelta(days=1)  # and none is lost that is late enough
    without = [dose_of(volunteer, option) for option in the_lab.find(volunteer, WEEK, limit=60)]
    assert min(without) < EARLIEST
    too_soon = series_options(
        participant=herbal, version=current_protocol(herbal.study).version, now=clock.now(),
        wishes=the_lab.wishes("2026-11-24", "2026-11-26"), dose_before=datetime(2027, 1, 1, tzinfo=UTC),
    )  # fmt: skip
    assert too_soon.options == ()
    assert "after the time that a medicine needs" in " ".join(too_soon.why_none)


def test_an_earlier_dose_is_neither_booked_nor_moved_to(
    herbal: Participant, volunteer: Participant, booker: Actor
) -> None:
    early = the_lab.find(volunteer, WEEK)[0]
    with pytest.raises(Refused, match="No dose before 2026-11-27 07:00 AST: St John's wort"):
        series_book(participant=herbal, option=early, actor=booker)
    series = series_book(participant=herbal, option=the_lab.find(herbal, WEEK)[0], actor=booker)
    first = series.visits.select_related("series__participant__study").get(number=1)
    found = move_options(visit=first, followers=True, wishes=WEEK, now=clock.now(), limit=60)
    assert min(dose_of(herbal, option) for option in found.options) >= EARLIEST
    with pytest.raises(Refused, match="No dose before"):
        visit_move(visit=first, option=early, reason="Sooner", actor=booker)


def test_the_pages_say_from_when_and_why(
    herbal: Participant, study: Any, client_of: Any, coordinator: Any
) -> None:
    page = client_of(coordinator).get(reverse("series_book", args=[study.slug, herbal.code]))
    said = page.content.decode()
    assert "earliest dose" in said
    assert "Fri 27 Nov 2026" in said
    assert "St John&#x27;s wort (hyperici herba) needs 14 d" in said
    assert "Nobody stops or changes a prescribed medicine" in said

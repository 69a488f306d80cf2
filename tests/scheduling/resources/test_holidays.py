"""Public holidays: taken over, opened with a reason, closed again; services and pages."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from scheduling.models import Closure, Holiday
from scheduling.selectors.timelines import span
from scheduling.services.booking import series_book
from scheduling.services.holidays import (
    holiday_close,
    holiday_days,
    holiday_open,
    holidays_import,
)
from scheduling.services.outages import outage_add
from scheduling.services.resources import closure_remove
from studylab.access import Actor
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]


@pytest.fixture
def leader(at_now: None, lead: Any, actor_of: Callable[[Any], Actor]) -> Actor:
    return actor_of(lead)


@pytest.fixture
def christmas(study: Any, leader: Actor) -> Holiday:
    holidays_import(study=study, year=2026, actor=leader)
    return Holiday.objects.get(day=date(2026, 12, 25))


class TestHolidays:
    def test_of_the_country_and_its_part(self, study: Any, leader: Actor) -> None:
        """Natal Day is no statutory day, Heritage Day (third Monday of February) is one of Nova Scotia.

        Days as published by the province's labour standards (Labour Standards Code), from memory.
        """
        added = holidays_import(study=study, year=2026, actor=leader)
        rows = {closure.during.lower: closure for closure in Closure.objects.all()}
        assert added == len(rows) >= 6
        heritage = datetime(2026, 2, 16, 4, tzinfo=UTC)  # local midnight, UTC-4
        canada = datetime(2026, 7, 1, 3, tzinfo=UTC)  # local midnight in summer, UTC-3
        assert rows[heritage].reason == "Heritage Day"
        assert rows[canada].during.upper == canada + timedelta(days=1)
        assert rows[canada].resource is None

    def test_twice_adds_nothing(self, study: Any, leader: Actor) -> None:
        holidays_import(study=study, year=2026, actor=leader)
        assert holidays_import(study=study, year=2026, actor=leader) == 0

    def test_nothing_is_offered_on_one(
        self, volunteer: Participant, leader: Actor, study: Any
    ) -> None:
        holidays_import(study=study, year=2026, actor=leader)
        christmas = date(2026, 12, 25)
        asked = the_lab.wishes("2026-12-23", "2026-12-28")
        the_lab.sign_off(volunteer, _clinician(study), days=60)
        days = {
            row.start.date() for option in the_lab.find(volunteer, asked) for row in option.visits
        }
        assert days
        assert christmas not in days

    @pytest.mark.parametrize("year", [1999, 2100])
    def test_years_that_are_not_known(self, study: Any, leader: Actor, year: int) -> None:
        with pytest.raises(Refused) as refused:
            holidays_import(study=study, year=year, actor=leader)
        assert refused.value.field == "year"

    @pytest.mark.parametrize(("country", "part"), [("XX", ""), ("CA", "ZZ")])
    def test_a_country_or_part_that_is_not_known(self, country: str, part: str) -> None:
        with pytest.raises(Refused, match="Add them as closures by hand"):
            holiday_days(country, part, 2026)

    def test_new_year_observed_on_the_last_of_december(self) -> None:
        """2022-01-01 was a Saturday; US federal offices closed on Friday 2021-12-31 (5 U.S.C. 6103(b))."""
        assert date(2021, 12, 31) in holiday_days("US", "", 2021)


def _clinician(study: Any) -> Any:
    return study.memberships.get(role="clinician").user


class TestOpening:
    def test_an_opened_day_stays_open_when_the_year_is_taken_over_again(
        self, study: Any, leader: Actor, booker: Actor, christmas: Holiday
    ) -> None:
        closures = Closure.objects.count()
        holiday_open(holiday=christmas, reason="A series ends on that day.", actor=booker)
        assert holidays_import(study=study, year=2026, actor=leader) == 0
        christmas.refresh_from_db()
        assert (christmas.closure, christmas.opened_reason) == (None, "A series ends on that day.")
        assert Closure.objects.count() == closures - 1
        with pytest.raises(Conflict, match="open on this holiday already"):
            holiday_open(holiday=christmas, reason="Again", actor=booker)
        holiday_close(holiday=christmas, study=study, actor=booker)
        with pytest.raises(Conflict, match="closed on this holiday already"):
            holiday_close(holiday=christmas, study=study, actor=booker)
        assert Closure.objects.count() == closures

    def test_not_without_a_reason_also_not_by_plain_sql(
        self, booker: Actor, christmas: Holiday
    ) -> None:
        with pytest.raises(Refused) as refused:
            holiday_open(holiday=christmas, reason=" ", actor=booker)
        assert refused.value.field == "reason"
        with pytest.raises(IntegrityError), transaction.atomic():
            Holiday.objects.filter(pk=christmas.pk).update(closure=None)

    def test_not_by_the_page_of_closures(self, leader: Actor, christmas: Holiday) -> None:
        assert christmas.closure is not None
        with pytest.raises(Refused, match="page of public holidays"):
            closure_remove(closure=christmas.closure, actor=leader)

    def test_a_day_closed_by_hand_before_becomes_the_holiday(
        self, study: Any, leader: Actor
    ) -> None:
        at = datetime(2026, 12, 25, 4, tzinfo=UTC)
        outage_add(
            resources=[], name="Lab", start=at, end=at + timedelta(days=1), reason="Christmas",
            actor=leader,
        )  # fmt: skip
        holidays_import(study=study, year=2026, actor=leader)
        assert Closure.objects.filter(during__startswith=at).count() == 1

    def test_an_experimenter_may_not(
        self, study: Any, christmas: Holiday, experimenter: Any
    ) -> None:
        with pytest.raises(NotAllowed):
            holiday_open(holiday=christmas, reason="x", actor=cast.actor_of(experimenter, study))


class TestPages:
    def url(self, name: str, **kwargs: Any) -> str:
        return reverse(name, kwargs={"study": "slide-story", **kwargs})

    def test_the_coordinator_opens_a_day_on_which_a_visit_is_hit(
        self,
        client_of: ClientOf,
        coordinator: Any,
        volunteer: Participant,
        booker: Actor,
        study: Any,
    ) -> None:
        """26 November 2026 is made a holiday of this test; the visits of that week were booked before."""
        week = the_lab.wishes("2026-11-25", "2026-11-29")
        series_book(participant=volunteer, option=the_lab.find(volunteer, week)[0], actor=booker)
        start = datetime(2026, 11, 26, 4, tzinfo=UTC)
        closure = Closure.objects.create(
            during=span(start, start + timedelta(days=1)), reason="Harbour Day"
        )
        row = Holiday.objects.create(
            day=date(2026, 11, 26), name="Harbour Day", country="CA", subdivision="NS",
            timezone=study.timezone, source="test", closure=closure,
        )  # fmt: skip
        client = client_of(coordinator)
        html = client.get(self.url("resource_holidays")).content.decode()
        assert "Harbour Day" in html
        assert f"{volunteer.code} visit 2" in html
        opening = self.url("resource_holiday_open", uid=row.uid)
        assert client.post(opening, {"reason": ""}).status_code == 422
        answer = client.post(opening, {"reason": "Visits are booked"}, follow=True)
        assert "Visits are booked (Cora" in answer.content.decode()
        closing = self.url("resource_holiday_close", uid=row.uid)
        assert "closed" in client.post(closing, follow=True).content.decode()

    @pytest.mark.parametrize("year", ["1066", "soon"])
    def test_a_wrong_year(self, client_of: ClientOf, lead: Any, at_now: None, year: str) -> None:
        client = client_of(lead)
        answer = client.post(self.url("resource_holidays_add"), {"year": year})
        assert answer.status_code == 422
        assert "No holidays were added" in answer.content.decode()
        assert client.get(self.url("resource_holidays"), {"year": year}).status_code == 422

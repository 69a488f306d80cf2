"""Few numbers left and kits soon out of date: pharmacists hear it once, in words that say nothing, and nobody else does."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.allocation import services
from studylab.allocation.models import Kit, ListEntry
from studylab.allocation.selectors.running_low import expiring, few_left
from studylab.outbox.compose import compose
from studylab.outbox.kinds import kind_of
from studylab.outbox.models import Message
from studylab.outbox.services.planning import plan_all
from tests import cast
from tests.allocation import helpers
from tests.screening.record.people import other_version

pytestmark = pytest.mark.django_db
LAST = date(2027, 3, 31)


def told(kind: str) -> list[Message]:
    return list(Message.objects.filter(kind=kind).select_related("user", "study"))


@pytest.fixture
def aging(study: Any, sealed: Any, pharmacist: Any, lead: Any, coordinator: Any) -> Any:
    """A batch of two kits of one arm, which can be used until the end of March 2027."""
    return helpers.receive(study, pharmacist, "active", "B-01", 2, LAST)


def at(study: Any, day: date, hour: int = 9) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=study.zone)


def test_kits_that_expire_are_told_to_every_pharmacist_once(
    study: Any, aging: Any, pharmacist: Any
) -> None:
    """demo.toml: kit_days = 30; the last day of use is the 31st, so that the 30 days begin on 2 March."""
    plan_all(at(study, date(2027, 3, 1)))
    assert told("kit_expiring") == []
    first = at(study, date(2027, 3, 2))
    plan_all(first)
    plan_all(first + timedelta(days=3))
    rows = told("kit_expiring")
    second = cast.second_pharmacist(study)
    assert {row.user for row in rows} == {pharmacist, second}
    assert {row.useful_until for row in rows} == {at(study, date(2027, 4, 1), 0)}
    wanted = kind_of("kit_expiring").wanted
    with clock.travel(first):
        assert {wanted(row, first) for row in rows} == {""}
        second.memberships.update(ends_on=first.date() - timedelta(days=2))
        assert [bool(wanted(row, first)) for row in rows if row.user == second] == [True]
    expired = at(study, date(2027, 4, 1))
    assert all(wanted(row, expired) for row in rows)


def test_a_batch_without_kits_at_hand_is_nobodys_matter(
    study: Any, aging: Any, pharmacist: Any
) -> None:
    day = date(2027, 3, 10)
    assert expiring(study, day) == [aging]
    for kit in Kit.objects.filter(batch=aging):
        services.kit_destroy(kit=kit, reason="Broken", actor=cast.actor_of(pharmacist, study))
    assert expiring(study, day) == []
    plan_all(at(study, day))
    assert told("kit_expiring") == []


def test_few_numbers_are_told_once_where_the_document_says_how_many(
    study: Any, sealed: Any, clinician: Any, pharmacist: Any
) -> None:
    now = clock.now()
    plan_all(now)
    assert told("list_low") == []
    strata = set(ListEntry.objects.filter(list=sealed).values_list("stratum", flat=True))
    other_version(study, ("list_left = 5", "list_left = 1000"))
    cast.confirm_limits(study, clinician)
    assert {one.stratum for one in few_left(study)} == strata
    plan_all(now)
    plan_all(now + timedelta(minutes=10))
    rows = told("list_low")
    assert {row.user for row in rows} == {pharmacist}
    assert len(rows) == len(strata)
    assert {kind_of("list_low").wanted(row, now) for row in rows} == {""}
    other_version(study, ("list_left = 1000\n", ""), ("kit_days = 30\n", ""))
    cast.confirm_limits(study, clinician)
    assert all(kind_of("list_low").wanted(row, now) for row in rows)


def test_a_document_without_the_keys_tells_nobody(study: Any, aging: Any, clinician: Any) -> None:
    other_version(study, ("list_left = 5\n", ""), ("kit_days = 30\n", ""))
    cast.confirm_limits(study, clinician)
    plan_all(at(study, date(2027, 3, 30)))
    assert told("list_low") + told("kit_expiring") == []


def test_the_mail_says_that_something_waits_and_where(
    study: Any, aging: Any, pharmacist: Any, settings: Any
) -> None:
    settings.MAIL_FROM, settings.SITE_ADDRESS = "studies@lab.example", "https://lab.example"
    plan_all(at(study, date(2027, 3, 20)))
    row = next(one for one in told("kit_expiring") if one.user == pharmacist)
    mail = compose(row)
    said = f"{mail.subject}\n{mail.text}".lower()
    assert f"https://lab.example{reverse('dispensary', args=[study.slug])}" in mail.text
    assert not any(word in said for word in ("kit", "list", "number", "b-01", "active", "expire"))


def test_pharmacists_see_it_on_their_front_page_and_blinded_roles_nowhere(
    study: Any, aging: Any, pharmacist: Any, lead: Any, coordinator: Any, client_of: Any
) -> None:
    with clock.travel(at(study, date(2027, 3, 20))):
        plan_all(clock.now())
        home, needs, messages = (
            reverse(page, args=[study.slug]) for page in ("home", "needs", "messages")
        )
        assert "Runs low or out of date" in client_of(pharmacist).get(home).content.decode()
        for person, pages in ((lead, (home, needs, messages)), (coordinator, (home, needs))):
            for page in pages:
                shown = client_of(person).get(page).content.decode()
                assert "B-01" not in shown
                assert "Runs low" not in shown
                assert "Kits expire" not in shown

"""Planned reviews of data and trail: due by the study document, signed by the lead, seen by the monitor."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.people.services.signatures import WrongPassword
from studylab.reports.selectors.reviews import reviews_of
from studylab.reports.services.reviews import review_sign
from studylab.studies.rules.loader import ProtocolInvalid, load_protocol
from studylab.studies.rules.reviews import ReviewPlan, review_due
from tests import cast

DEMO = (cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("last", "day", "late"),
    [(None, 14, False), (None, 15, True), (10, 24, False), (10, 25, True)],
)
def test_due_from_the_beginning_or_the_last_one(last: int | None, day: int, late: bool) -> None:
    begun, plan = date(2026, 3, 1), ReviewPlan("dosing", "Doses", "A wrong dose", 14)
    then = None if last is None else begun + timedelta(days=last)
    due = review_due(plan, begun=begun, last=then, today=begun + timedelta(days=day))
    assert (due.by, due.late) == ((then or begun) + timedelta(days=14), late)


@pytest.mark.parametrize(
    ("as_it_is", "wrong", "says"),
    [
        ('key = "trail"', 'key = "consent"', "Two reviews"),
        ("every_days = 14", "every_days = 0", "every_days"),
        ('risk = "A dose', 'danger = "A dose', "risk"),
    ],
)
def test_a_plan_that_is_wrong_is_refused_by_its_key(as_it_is: str, wrong: str, says: str) -> None:
    assert as_it_is in DEMO
    with pytest.raises(ProtocolInvalid) as refused:
        load_protocol(DEMO.replace(as_it_is, wrong))
    assert any(says in str(one) for one in refused.value.problems)


@pytest.mark.django_db
@pytest.mark.shows("A-08")
def test_a_review_is_signed_with_what_was_looked_at_and_found(
    study: Any, confirmed: Any, lead: Any, monitor: Any, client_of: Any
) -> None:
    boss, page = client_of(lead), reverse("record_reviews", args=[study.slug])
    home = reverse("home", args=[study.slug])
    add = reverse("record_review_add", args=[study.slug, "dosing"])
    assert "Reviews of the record" not in boss.get(home).content.decode()
    with clock.travel(clock.now() + timedelta(days=15)):
        assert "Doses: gate, wait" in boss.get(home).content.decode()
        assert "overdue" in boss.get(page).content.decode()
        said = {"looked_at": "All eleven doses of March.", "found": "One wait was 88 minutes.", "password": cast.PASSWORD}  # fmt: skip
        for field in said:
            refused = boss.post(add, {**said, field: " "})
            assert refused.status_code == 422, field
        assert boss.post(add, {**said, "password": "guess"}).status_code == 422
        assert boss.post(add, said).status_code == 302
        shown = client_of(monitor).get(page).content.decode()
        assert "One wait was 88 minutes." in shown
        assert lead.name in shown
        assert client_of(monitor).get(add).status_code == 403
        assert "Doses: gate, wait" not in boss.get(home).content.decode()
        line = next(one for one in reviews_of(study, clock.now()) if one.plan.key == "dosing")
        assert (line.due.late, len(line.signed)) == (False, 1)
        assert line.signed[0].content["risk"] == line.plan.risk
    (event,) = Event.objects.filter(action="review.signed")
    assert event.reason == "One wait was 88 minutes."


@pytest.mark.django_db
def test_only_the_lead_signs_and_only_what_is_planned(
    study: Any, confirmed: Any, lead: Any, monitor: Any
) -> None:
    said = {"study": study, "looked_at": "Everything.", "found": "Nothing."}
    boss = cast.actor_of(lead, study)
    with pytest.raises(NotAllowed):
        review_sign(
            **said, key="trail", password=cast.PASSWORD, actor=cast.actor_of(monitor, study)
        )
    with pytest.raises(Refused, match="plans no such review"):
        review_sign(**said, key="weather", password=cast.PASSWORD, actor=boss)
    with pytest.raises(WrongPassword):
        review_sign(**said, key="trail", password="guess", actor=boss)

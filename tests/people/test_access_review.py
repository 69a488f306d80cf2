"""Who has access and had it, as of any day, and the signed review of it."""

import csv
import io
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from studylab import clock
from studylab.access import ROLE_CAPS, Cap, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.people.models import AccessReview, Device, Membership, SignIn
from studylab.people.rules.access_review import months_later, opens_in_words
from studylab.people.selectors import today_in
from studylab.people.selectors.access_review import people_seen, review_due_on
from studylab.people.services.roles import role_end
from studylab.reports.selectors.work_site import access_work
from tests.cast import PASSWORD, actor_of, join, make_study, make_user
from tests.people.inviting import accepted

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def url(name: str, study: Any) -> str:
    return reverse(name, kwargs={"study": study.slug})


def seen(study: Any, on: date, name: str) -> Any:
    return next(one for one in people_seen(study, on) if one.name == name)


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        (date(2026, 11, 30), 3, date(2027, 2, 28)),
        (date(2027, 11, 30), 3, date(2028, 2, 29)),
        (date(2026, 12, 31), 12, date(2027, 12, 31)),
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
    ],
)
def test_months_later_is_the_same_day_or_the_last_one(day: date, months: int, then: date) -> None:
    assert months_later(day, months) == then


def test_what_roles_open_is_said_of_exactly_who_may() -> None:
    for role in Role:
        words = opens_in_words([role])
        for cap, said in (
            (Cap.HEALTH_VIEW, "reads health data"), (Cap.SIGN_OFF, "signs who may take part"),
            (Cap.LIST_MANAGE, "can read arms"), (Cap.CODE_OPEN, "can open one code"),
            (Cap.CONTACT_VIEW, "sees names"), (Cap.PEOPLE_MANAGE, "gives and ends roles"),
        ):  # fmt: skip
            assert (said in words) == (cap in ROLE_CAPS[role]), (role, said)


@pytest.mark.shows("A-12")
def test_as_of_any_day(study: Any, lead: Any, coordinator: Any) -> None:
    today = today_in(study.timezone)
    person = make_user("Past Person")
    Membership.objects.create(
        user=person, study=study, role=Role.MONITOR, starts_on=today - timedelta(days=20),
        ends_on=today - timedelta(days=10), granted_at=clock.now(), granted_by=lead,
    )  # fmt: skip
    future = make_user("Future Person")
    row = join(future, study, Role.EXPERIMENTER)
    Membership.objects.filter(pk=row.pk).update(starts_on=today + timedelta(days=5))
    for days, past, later in ((-21, False, False), (-20, True, False), (-10, True, False), (-9, False, False), (5, False, True)):  # fmt: skip
        on = today + timedelta(days=days)
        assert seen(study, on, "Past Person").has_access is past, days
        assert seen(study, on, "Future Person").has_access is later, days
    role_end(membership=coordinator.memberships.get(), reason="left", actor=actor_of(lead, study))
    assert not seen(study, today, coordinator.name).has_access, "ended today: no access now"
    with clock.travel(clock.now() + timedelta(days=1)):
        assert seen(study, today, coordinator.name).has_access, "there was access on that day"
    role_end(membership=row, reason="never came", actor=actor_of(lead, study))
    assert not seen(study, today + timedelta(days=5), "Future Person").has_access


def test_how_somebody_came_and_signs_in_is_shown(study: Any, lead: Any, monitor: Any) -> None:
    user = accepted(study, actor_of(lead, study))
    now = clock.now()
    tablet = Device.objects.create(
        study=study, name="Tablet 7", token_digest="t", lock_minutes=5, enrolled_at=now,
        enrolled_by=lead, last_seen_at=now,
    )  # fmt: skip
    SignIn.objects.create(user=user, device=tablet, began_at=now, seen_at=now, active_at=now)
    one = seen(study, today_in(study.timezone), user.name)
    assert one.roles[0].how == "invited, link handed over by hand"
    assert (one.roles[0].given_by, one.last_sign_in, one.tablets) == (lead.name, now, ("Tablet 7",))
    other = seen(study, today_in(study.timezone), monitor.name)
    assert (other.roles[0].how, other.last_sign_in, other.tablets) == ("given directly", None, ())
    with CaptureQueriesContext(connection) as few:
        people_seen(study, today_in(study.timezone))
    for number in range(5):
        join(make_user(f"More {number}"), study, Role.MONITOR)
    with CaptureQueriesContext(connection) as many:
        people_seen(study, today_in(study.timezone))
    assert len(many) == len(few)


def test_the_page_and_the_file(
    study: Any, lead: Any, monitor: Any, coordinator: Any, client_of: Any
) -> None:
    join(make_user("=HYPERLINK(1)"), study, Role.MONITOR)
    boss, watcher = client_of(lead), client_of(monitor)
    text = boss.get(url("people_access", study)).content.decode()
    for words in (coordinator.email, "books and moves visits", "review due", "Sign a review"):
        assert words in text, words
    quiet = watcher.get(url("people_access", study)).content.decode()
    assert coordinator.name in quiet
    assert coordinator.email not in quiet
    assert "Sign a review" not in quiet
    rows = list(csv.reader(io.StringIO(watcher.get(url("people_access_file", study)).content.decode())))  # fmt: skip
    assert {len(row) for row in rows} == {14}
    assert "'=HYPERLINK(1)" in {row[0] for row in rows}
    assert {row[1] for row in rows[1:]} == {""}, "addresses are for the lead"
    assert coordinator.email in boss.get(url("people_access_file", study)).content.decode()
    assert client_of(coordinator).get(url("people_access", study)).status_code == 403
    assert watcher.get(url("people_access_sign", study)).status_code == 403
    wrong = boss.get(url("people_access", study), {"on": "yesterday"})
    assert wrong.status_code == 422
    assert "Enter a day such as" in wrong.content.decode()


@pytest.mark.shows("A-08", "A-12")
def test_a_review_is_signed_over_what_was_shown(study: Any, lead: Any, client_of: Any) -> None:
    boss, today = client_of(lead), today_in(study.timezone)
    assert review_due_on(study) == date(2026, 4, 5)
    assert [group.title for group in access_work(study, actor_of(lead, study), clock.now())] == ["Review of access due"]  # fmt: skip
    page = url("people_access_sign", study)
    shown = boss.get(page).context["shown"]
    form = {"shown": shown, "found": "Everybody still works here.", "months": "3", "password": PASSWORD}  # fmt: skip
    for change, field in (({"found": ""}, "found"), ({"months": "0"}, "months"), ({"months": "13"}, "months"), ({"password": "wrong"}, "password")):  # fmt: skip
        refused = boss.post(page, {**form, **change})
        assert refused.status_code == 422
        assert refused.context["form"].errors[field], change
    join(make_user("Came Meanwhile"), study, Role.MONITOR)
    assert boss.post(page, form).status_code == 409
    assert not AccessReview.objects.exists()
    form["shown"] = boss.get(page).context["shown"]
    assert boss.post(page, form).status_code == 302
    review = AccessReview.objects.get()
    assert (review.people, review.next_due_on) == (2, months_later(today, 3))
    signed = review.signature.content
    assert {one["person"] for one in signed["people"]} == {lead.name, "Came Meanwhile"}
    assert Event.objects.filter(action=Action.ACCESS_REVIEWED, study_id=study.pk).count() == 1
    assert access_work(study, actor_of(lead, study), clock.now()) == []
    late = clock.now() + timedelta(days=95)
    assert access_work(study, actor_of(lead, study), late) != []
    assert "Everybody still works here." in boss.get(url("people_access", study)).content.decode()


def test_the_review_of_another_study_is_another_matter(
    study: Any, lead: Any, client_of: Any
) -> None:
    other = make_study(slug="other-study", prefix="OT")
    join(make_user("Elsewhere Only"), other, Role.LEAD)
    assert "Elsewhere Only" not in client_of(lead).get(url("people_access", study)).content.decode()
    assert client_of(lead).get(url("people_access", other)).status_code == 404

"""Clinicians and coordinators hear once that a sign-off runs out; nobody else does, and not once it is solved."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from screening.selectors.staff_mails import SIGN_OFF_LAPSING
from studylab import clock
from studylab.outbox.compose import compose
from studylab.outbox.kinds import kind_of
from studylab.outbox.models import Message
from studylab.outbox.services.planning import plan_all
from tests.screening.record import people

pytestmark = pytest.mark.django_db


def told() -> dict[str, Any]:
    rows = Message.objects.filter(kind=SIGN_OFF_LAPSING).select_related("user", "study")
    return {row.user.name: row for row in rows}


@pytest.fixture
def signed(study: Any, waiting: Any, milo: Any, coordinator: Any, pharmacist: Any, lead: Any) -> Any:  # fmt: skip
    return people.sign(waiting, milo)


def test_once_to_each_of_two_roles_when_the_document_says(
    signed: Any, clinician: Any, coordinator: Any
) -> None:
    """demo.toml: sign_off_days = 7."""
    due = signed.valid_until - timedelta(days=7)
    plan_all(due - timedelta(minutes=1))
    assert told() == {}
    plan_all(due)
    plan_all(due + timedelta(days=1))
    rows = told()
    assert set(rows) == {clinician.name, coordinator.name}
    assert {(row.due_at, row.useful_until) for row in rows.values()} == {(due, signed.valid_until)}


def test_it_says_that_something_waits_and_nothing_else(
    signed: Any, clinician: Any, client_of: Any, settings: Any
) -> None:
    settings.MAIL_FROM, settings.SITE_ADDRESS = "studies@lab.example", "https://lab.example"
    at = signed.valid_until - timedelta(days=6)
    plan_all(at)
    row = told()[clinician.name]
    mail = compose(row)
    assert mail.to == clinician.email
    assert f"https://lab.example{reverse('needs', args=[row.study.slug])}" in mail.text
    assert signed.participant.code not in f"{mail.subject}{mail.text}{mail.html}"
    with clock.travel(at):
        page = client_of(clinician).get(reverse("needs", args=[row.study.slug])).content.decode()
    assert signed.participant.code in page


def test_signed_anew_or_no_clinician_any_more_it_is_not_sent(
    signed: Any, study: Any, milo: Any, clinician: Any, coordinator: Any
) -> None:
    at = signed.valid_until - timedelta(days=6)
    plan_all(at)
    rows = told()
    wanted = kind_of(SIGN_OFF_LAPSING).wanted
    with clock.travel(at):
        assert {wanted(row, at) for row in rows.values()} == {""}
        coordinator.memberships.update(ends_on=at.date() - timedelta(days=2))
        assert "role" in wanted(rows[coordinator.name], at)
    with clock.travel(people.NOW + timedelta(days=2)):
        again = people.sign(signed.participant, milo)
    with clock.travel(at):
        assert "signed anew" in wanted(rows[clinician.name], at)
    # The new one has its own occasion.
    later = again.valid_until - timedelta(days=7)
    with clock.travel(later):
        plan_all(later)
    assert Message.objects.filter(kind=SIGN_OFF_LAPSING, user=clinician).count() == 2

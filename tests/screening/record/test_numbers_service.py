"""The allocation number: never before consent and a current sign-off, attacked by service and SQL."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError
from django.urls import reverse

from screening.models import SignOff
from screening.selectors import newest_answers
from screening.services import number_issue
from studylab import clock
from studylab.allocation.models import ListEntry
from studylab.errors import Conflict, NotAllowed, Refused
from tests.allocation import helpers
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def sealed(waiting: Any, study: Any, pharmacist: Any) -> Any:
    """The sealed list of the study, beside a volunteer who waits for the sign-off."""
    return helpers.seal(study, pharmacist)


def set_number(participant: Any, at: Any) -> None:
    """Write the first number to somebody by plain SQL."""
    people.sql(
        """UPDATE allocation_listentry SET participant_id = %s, issued_at = %s
               WHERE id = (SELECT id FROM allocation_listentry ORDER BY position LIMIT 1)""",
        [participant.pk, at],
    )


def test_the_number_follows_consent_and_sign_off(
    sealed: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    with pytest.raises(Refused, match="No physician has decided yet"):
        number_issue(participant=waiting, actor=cora)
    people.sign(waiting, milo)
    entry = number_issue(participant=waiting, actor=cora)
    assert (entry.participant, entry.position) == (waiting, 1)
    with pytest.raises(Conflict, match="has a number"):
        number_issue(participant=waiting, actor=cora)


@pytest.mark.shows("B-08")
def test_the_database_itself_refuses_a_number_before_the_sign_off(
    sealed: Any, waiting: Any
) -> None:
    with pytest.raises(IntegrityError, match="No number before"):
        set_number(waiting, clock.now())


@pytest.mark.parametrize("decision", ["needs_more"])
def test_the_database_itself_refuses_a_number_on_another_decision(
    sealed: Any, waiting: Any, milo: Any, decision: str
) -> None:
    people.sign(waiting, milo, decision=decision, reason="ECG first.")
    with pytest.raises(IntegrityError, match="No number before"):
        set_number(waiting, clock.now())


def test_no_number_on_a_sign_off_that_is_too_old(
    sealed: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    signed: SignOff = people.sign(waiting, milo)
    late = signed.valid_until + timedelta(seconds=1)
    with clock.travel(late), pytest.raises(Refused, match="too old"):
        number_issue(participant=waiting, actor=cora)
    with pytest.raises(IntegrityError, match="No number before"):
        set_number(waiting, late)


def test_no_number_on_a_sign_off_made_void_by_a_changed_answer(
    sealed: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    people.sign(waiting, milo)
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Weighed again.",
        weight_kg=70.0,
    )  # fmt: skip
    with pytest.raises(Refused, match="changed after the signature"):
        number_issue(participant=waiting, actor=cora)
    with pytest.raises(IntegrityError, match="No number before"):
        set_number(waiting, clock.now())


def test_no_number_without_consent_to_the_study(
    at_ten: None, study: Any, confirmed: Any, cora: Any, pharmacist: Any
) -> None:
    helpers.seal(study, pharmacist)
    participant = people.add_volunteer(study, cora)
    with pytest.raises(Refused, match="no consent to the study"):
        number_issue(participant=participant, actor=cora)
    with pytest.raises(IntegrityError, match="No number before"):
        set_number(participant, clock.now())


def test_no_number_while_the_limits_are_not_confirmed(
    at_ten: None, study: Any, cora: Any, milo: Any
) -> None:
    participant = people.ready(study, cora, milo)
    with pytest.raises(Refused, match="confirmed the limits"):
        number_issue(participant=participant, actor=cora)


def test_who_issues_numbers(sealed: Any, waiting: Any, edda: Any, milo: Any) -> None:
    people.sign(waiting, milo)
    for actor in (edda, milo):
        with pytest.raises(NotAllowed):
            number_issue(participant=waiting, actor=actor)
    assert not ListEntry.objects.filter(participant=waiting).exists()


def test_the_page_issues_a_number_or_says_why_not(
    sealed: Any, waiting: Any, milo: Any, client_of: Any, coordinator: Any, experimenter: Any
) -> None:
    url = reverse("number_issue", args=[waiting.study.slug, waiting.code])
    browser, back = (
        client_of(coordinator),
        {"next": reverse("answers", args=[waiting.study.slug, waiting.code])},
    )
    assert client_of(experimenter).post(url, back).status_code == 403
    assert browser.get(url).status_code == 405
    page = browser.post(url, back, follow=True).content.decode()
    assert "No physician has decided yet" in page
    people.sign(waiting, milo)
    page = browser.post(url, back, follow=True).content.decode()
    entry = ListEntry.objects.get(participant=waiting)
    assert f"Number {entry.number} is issued to {waiting.code}" in page

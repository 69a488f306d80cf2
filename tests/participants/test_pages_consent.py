"""Consent on the pages, recorded and corrected."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from studylab.access import Actor
from studylab.forms import local_minute
from studylab.participants.models import Participant
from studylab.participants.selectors import current_consent
from tests.participants import people
from tests.participants.people import text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_consent_is_recorded_on_the_page(
    office: Client, study: Any, ana: Participant, noon: datetime
) -> None:
    """Nothing is filled in beforehand; the version must be looked at; the gap is shown afterwards."""
    address = url(study, "consent_add", ana.code)
    page = text_of(office.get(address))
    form = office.get(address).context["form"]
    assert [form[name].value() for name in ("signed_at", "written_on", "staff_signed_at")] == [
        None
    ] * 3
    data = {"version": form["version"].value(), "version_seen": "on", "signed_at": "2026-03-10T08:00",
            "written_on": "2026-03-09", "staff_signed_at": "2026-03-10T08:01"}  # fmt: skip
    assert f"The signed form is version “{data['version']}”" in page
    for left_out in ("version_seen", "signed_at", "written_on", "staff_signed_at"):
        response = office.post(address, {k: v for k, v in data.items() if k != left_out})
        assert response.status_code == 422
        assert list(response.context["form"].errors) == [left_out]
    assert office.post(address, {**data, "version": "0.9"}).status_code == 422
    assert current_consent(ana, "study") is None
    response = office.post(address, data, follow=True)
    page = text_of(response)
    assert "Recorded 1 h after it was given." in page
    assert "The volunteer wrote 9 March 2026 on the form" in page
    assert "on record, given" in text_of(office.get(address)), "a second one is not offered"


def test_consent_is_corrected_on_the_page(
    office: Client, study: Any, consented: Participant, noon: datetime
) -> None:
    """The form holds what is on record; both entries are shown; a stale form is a conflict."""
    address = url(study, "consent_correct", consented.code)
    form = office.get(address).context["form"]
    names = ("seen", "signed_at", "written_on", "staff_signed_at")
    data = {name: form[name].value() for name in names}
    with timezone.override("America/Halifax"):
        data |= {"staff_signed_at": local_minute(noon - timedelta(minutes=59)),
                 "signed_at": local_minute(noon - timedelta(minutes=90))}  # fmt: skip
    assert office.post(address, {**data, "reason": ""}).status_code == 422
    response = office.post(address, {**data, "reason": "wrong line read"}, follow=True)
    page = text_of(response)
    assert "wrong line read" in page
    assert "replaced by a correction" in page
    assert office.post(address, {**data, "reason": "once more"}).status_code == 409
    questions = url(study, "consent_correct", consented.code, "questions")
    assert office.get(questions).status_code == 200
    assert office.get(url(study, "consent_correct", consented.code, "other")).status_code == 404


def test_an_agreement_that_comes_later_is_recorded_on_its_own_page(
    office: Client, study: Any, keeper: Actor, noon: datetime
) -> None:
    """Somebody added before they agreed says so on the telephone: asked for, checked, recorded once."""
    unasked = people.add(keeper, study, agreed_at=None, agreed_method="")
    offered = url(study, "consent_agreement", unasked.code)
    assert offered in text_of(office.get(url(study, "consents", unasked.code)))
    form = office.get(offered).context["form"]
    data = {"version": form["version"].value(), "method": "spoken", "text_said": "on",
            "signed_at": "2026-03-10T08:55"}  # fmt: skip
    for left_out in ("method", "signed_at", "text_said"):
        response = office.post(offered, {k: v for k, v in data.items() if k != left_out})
        assert list(response.context["form"].errors) == [left_out]
    later = office.post(offered, data | {"signed_at": "2026-03-11T08:55"})
    assert "later than now" in text_of(later)
    assert current_consent(unasked, "questions") is None
    assert office.post(offered, data).status_code == 302
    made = current_consent(unasked, "questions")
    assert made is not None
    assert (made.method, made.written_on) == ("spoken", None)
    assert "is on record" in text_of(office.get(offered))

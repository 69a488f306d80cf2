"""Consent on the pages, recorded and corrected."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from studylab.forms import local_minute
from studylab.participants.models import Participant
from studylab.participants.selectors import current_consent
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

"""The pages of adverse events: recorded, found, exported, reported."""

from datetime import datetime
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab.participants.models import AdverseEvent, Participant
from tests.participants.people import text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_the_pages_record_show_find_and_export_an_event(
    dosed: None, consented: Participant, office: Client, clinician: Any, client_of: Any, study: Any, noon: datetime
) -> None:  # fmt: skip
    add_url = url(study, "event_add")
    given = {
        "volunteer": consented.code, "source": "phone", "aware_at": "2026-03-10T08:30", "what": "=Dizzy & <b>", "term": "Dizziness",
        "started_known": "unknown", "ended_known": "ongoing", "grade": "2", "serious": "yes", "action": "sat down",
        "outcome": "recovering",
    }  # fmt: skip
    wrong = office.post(add_url, given)
    assert wrong.status_code == 422
    assert "Choose at least one" in text_of(wrong)
    assert "=Dizzy &amp; &lt;b&gt;" in text_of(wrong)
    made = office.post(add_url, {**given, "criteria": ["hospital"]})
    event = AdverseEvent.objects.get()
    page = reverse("event", args=[study.slug, event.uid])
    assert made["Location"] == page
    doctor = client_of(clinician)
    assert "I have read this" in text_of(doctor.get(page))
    assert doctor.post(url(study, "event_read", event.uid)).status_code == 302
    assert "I have read this" not in text_of(doctor.get(page))
    found = text_of(office.get(url(study, "events"), {"kind": "serious", "grade_from": "2"}))
    assert page in found
    assert page not in text_of(office.get(url(study, "events"), {"grade_from": "3"}))
    assert office.get(url(study, "events"), {"first": "x"}).status_code == 422
    csv = b"".join(office.get(url(study, "events_download")))  # type: ignore[arg-type]
    assert b"'=Dizzy & <b>" in csv  # no spreadsheet takes it for a formula
    assert b"hospital stay" in csv
    safety = text_of(office.get(url(study, "safety")))
    assert page in safety
    assert "Dosing is paused" in safety
    report = url(study, "event_report", event.uid, "sponsor", "first")
    assert report in safety
    assert office.post(report, {"sent_at": "2026-03-10T08:45", "how": "mail"}).status_code == 302
    assert "no receipt yet" in text_of(office.get(page))
    assert office.get(url(study, "event_report", event.uid, "breach", "first")).status_code == 404

"""The pages of adverse events: recorded, found, exported, reported."""

from datetime import datetime
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab.access import Actor
from studylab.participants.models import AdverseEvent, DosingPause, EventEntry, Participant
from studylab.participants.services import EventSaid, event_add, event_record
from tests import cast
from tests.participants.people import fill_in, text_of, url

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
    sent = {
        "sent_at": "2026-03-10T08:45",
        "how": "mail",
        "shown": office.get(report).context["shown"],
    }
    assert office.post(report, sent).status_code == 302
    assert "no receipt yet" in text_of(office.get(page))
    assert office.get(url(study, "event_report", event.uid, "breach", "first")).status_code == 404


TAKEN = EventSaid(
    what="Fainted in the corridor.", term="fainting", started_at=None, started_known="unknown", ended_at=None,
    ended_known="ongoing", grade=3, criteria=("hospital",), action="Called for help", outcome="recovering",
)  # fmt: skip


def test_nobody_signs_or_judges_what_they_have_not_seen(
    dosed: None, consented: Participant, ben: Participant, keeper: Actor, clinician: Any, client_of: Any,
    study: Any, noon: datetime,
) -> None:  # fmt: skip
    """What came meanwhile is shown first; the words stay in the form, and signing again then works."""
    entry = event_record(participant=consented, source="phone", aware_at=noon, event=TAKEN, actor=keeper)  # fmt: skip
    doctor = client_of(clinician)
    pause = DosingPause.objects.get(kind="rule")
    sign, judge = (
        url(study, "pause_physician", pause.uid),
        url(study, "event_judge", entry.event.uid),
    )
    words = {"reason": "Looked at with care.", "password": cast.PASSWORD}
    view = {"relation": "possibly", "why": "It fits in time."}
    opened = {at: {"shown": doctor.get(at).context["shown"]} for at in (sign, judge)}
    event_record(participant=ben, source="phone", aware_at=noon, event=TAKEN, actor=keeper)
    event_add(entry=entry, aware_at=noon, event=TAKEN, note="Fell on the head.", actor=keeper)
    for at, given in ((sign, words), (judge, view)):
        for stale in (opened[at], {}):
            late = doctor.post(at, given | stale)
            assert late.status_code == 409
            assert "This changed since you opened the page" in text_of(late)
            assert (given.get("reason") or given["why"]) in text_of(late)
    pause.refresh_from_db()
    assert pause.physician is None
    assert not EventEntry.objects.exclude(relation="").exists()
    assert ben.code in text_of(doctor.get(sign))
    assert fill_in(doctor, sign, words).status_code == 302
    assert fill_in(doctor, judge, view).status_code == 302
    pause.refresh_from_db()
    assert pause.physician is not None

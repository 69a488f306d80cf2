"""After an erasure everything still verifies and nothing anywhere holds what was erased."""

import io
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Actor
from studylab.allocation import services as allocation
from studylab.audit.selectors import verify_chain
from studylab.audit.services import seal_events
from studylab.participants.models import Contact, Participant
from studylab.participants.selectors.erasure import would_break
from studylab.participants.selectors.owed import owed_reports
from studylab.participants.services import event_record, hold_release, participant_withdraw
from studylab.participants.services.erasure import contact_erase
from tests import cast
from tests.allocation import helpers
from tests.participants.people import ANA
from tests.participants.test_erasure import close
from tests.participants.test_events import DIZZY
from tests.reports.export import exported

pytestmark = [pytest.mark.django_db, pytest.mark.database]
CONTACT = (
    ANA.family_name, ANA.given_names, ANA.email, ANA.phone, ANA.address, ANA.emergency_name, ANA.emergency_phone,
)  # fmt: skip


def tables_with(text: str) -> set[str]:
    """Return every table of the database in which a row holds the text in any column, as text, JSON or bytes."""
    found = set()
    as_bytes = text.encode().hex()
    with connection.cursor() as cursor:
        for name in connection.introspection.table_names(cursor):
            cursor.execute(
                f'SELECT EXISTS (SELECT 1 FROM "{name}" one WHERE strpos(one::text, %s) > 0 OR strpos(one::text, %s) > 0)',
                [text, as_bytes],
            )
            if cursor.fetchone()[0]:
                found.add(name)
    return found


@pytest.fixture
def numbered(
    consented: Participant, study: Any, clinician: Any, pharmacist: Any, coordinator: Any, confirmed: Any
) -> Participant:  # fmt: skip
    """Ana with a number of a sealed list."""
    helpers.seal(study, pharmacist)
    helpers.sign_off(consented, clinician)
    helpers.issue(consented, coordinator)
    return consented


@pytest.mark.shows("A-22")
def test_what_stays_verifies_and_nothing_holds_name_or_contact(
    numbered: Participant, keeper: Actor, office: Client, study: Any, noon: datetime
) -> None:
    """Issue 7, point 6; field case F-01's twist: the name goes, the list still verifies."""
    person = Contact.objects.get(person=numbered.person_id)
    box = bytes(person.box).hex()
    assert tables_with(box) == {"participants_contact"}, "the search sees what is there"
    participant_withdraw(participant=numbered, reason="Moved away.", actor=keeper)
    close(study, noon)
    with clock.travel(noon + timedelta(days=15 * 365 + 6)):
        contact_erase(
            participant=Participant.objects.get(pk=numbered.pk), reason="The time is over.", actor=keeper,
        )  # fmt: skip
        assert [text for text in (box, *CONTACT) if tables_with(text)] == []
        seal_events()
        assert verify_chain().intact
        call_command("verify_allocation", stdout=io.StringIO())
        file = exported(study)
        assert [row["code"] for row in file.rows("people.csv")] == [numbered.code]
        assert file.rows("people.csv")[0]["number"] != ""
    for name in ("volunteer", "volunteer_file", "consents", "volunteer_contact"):
        assert office.get(reverse(name, args=[study.slug, numbered.code])).status_code == 200, name


def test_an_opened_code_and_what_follows_from_it_are_named_before_the_erasure(
    numbered: Participant, clinician: Any, doctor: Actor, study: Any
) -> None:
    """Field case F-67's twist."""
    assert would_break(numbered) == []
    cast.practise(study, clinician)
    allocation.code_open(
        participant=numbered, kind="emergency", reason="Collapse", told="The ward", password=cast.PASSWORD,
        actor=doctor,
    )  # fmt: skip
    said = would_break(numbered)
    assert [text for text in said if "code of" in text] == [
        f"The code of {numbered.code} was opened and the emergency is not closed: its hold stands."
    ]
    hold_release(
        hold=numbered.holds.get(), reason="Recovered.", password=cast.PASSWORD, actor=doctor
    )
    assert not [text for text in would_break(numbered) if "code of" in text]


def test_reports_that_are_owed_are_named_before_the_erasure(
    dosed: None,
    consented: Participant,
    keeper: Actor,
    doctor: Actor,
    office: Client,
    coordinator: Any,
    study: Any,
    noon: datetime,
) -> None:
    """Field case F-67's twist: who is forgotten can not be reported about with what is still missing."""
    grave = replace(DIZZY, grade=3, criteria=("important",), outcome="recovering")
    entry = event_record(
        participant=consented, source="phone", aware_at=noon, event=grave, actor=keeper
    )
    participant_withdraw(participant=consented, reason="Moved away.", actor=keeper)
    owed = len(owed_reports(study, noon))
    assert owed >= 1
    warned = f"{owed} report(s) about {consented.code} are not sent, or without receipt."
    assert warned in would_break(consented)
    close(study, noon)
    with clock.travel(noon + timedelta(days=15 * 365 + 6)):
        office.force_login(coordinator)  # no sign-in lasts so long
        page = office.get(reverse("volunteer_contact_erase", args=[study.slug, consented.code]))
        assert warned in page.content.decode()
        still = contact_erase(
            participant=Participant.objects.get(pk=consented.pk), reason="The time is over.", actor=keeper,
        )  # fmt: skip
    assert warned in still
    assert entry.event.state == "open"

"""A capsule swallowed past the gate is on record, counted and watched, and is a deviation from the first moment."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Dose
from scheduling.selectors.sheet import sheet_of
from scheduling.services.doses import GateShut, dose_correct
from studylab.audit.models import Event
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation
from studylab.participants.selectors.events import newest_entry
from studylab.participants.services import EventSaid, event_record, hold_open
from tests import cast
from tests.allocation.raw_sql import refused_by_database
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.test_dose import INSERT, row

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WHY = "The network was down for half an hour."


def test_what_was_swallowed_on_hold_and_half_an_hour_ago_is_recorded_with_what_the_gate_says(
    ready: Case,
) -> None:
    """The wait counts from the capsule, the deviation asks whether it is a serious breach, no second one follows."""
    case, swallowed = ready, ready.t
    case.act(
        hold_open,
        "experimenter",
        participant=case.participant,
        kind="symptom",
        reason="Dizzy before it.",
    )
    case.forward(25)
    with pytest.raises((GateShut, Refused)):
        case.give(given_at=swallowed)
    dose = case.give(
        given_at=swallowed, past_the_gate=WHY, second_email=case.users["clinician"].email
    )
    deviation = Deviation.objects.get(kind="dose")
    assert (dose.given_at, dose.deviation) == (swallowed, deviation)
    assert "recorded 25 minutes later" in deviation.what
    assert "Open hold" in deviation.what
    assert (deviation.explanation, deviation.state) == (WHY, "explained")
    assert dose.gate["open"] is False
    assert sheet_of(case.visit(2), case.t).wait.due_at == swallowed + timedelta(minutes=90)
    with pytest.raises(Conflict, match="already"):
        case.give(past_the_gate=WHY)
    later = case.act(
        dose_correct, "experimenter", dose=dose, given_at=swallowed + MINUTE, reason="Misread."
    )
    assert later.deviation == deviation


def test_what_was_felt_counts_from_the_dose_as_it_stands_now(ready: Case) -> None:
    """Recorded before the dose was known of, it becomes a symptom after the dose, and follows each corrected time."""
    case, swallowed = ready, ready.t
    case.forward(20)
    felt = EventSaid(
        what="Woozy.", term="dizziness", started_at=swallowed + 5 * MINUTE, started_known="minute", ended_at=None,
        ended_known="unknown", grade=1, criteria=(), action="nothing", outcome="recovered",
    )  # fmt: skip
    first = case.act(
        event_record,
        "experimenter",
        participant=case.participant,
        source="sheet",
        aware_at=case.t,
        event=felt,
    )
    assert not first.after_dose
    dose = case.give(given_at=swallowed, past_the_gate=WHY)
    entry = newest_entry(first.event)
    assert (entry.after_dose, entry.aware_at, entry.supersedes) == (True, first.aware_at, first)
    case.act(
        dose_correct, "experimenter", dose=dose, given_at=swallowed + 6 * MINUTE, reason="Misread."
    )
    assert not newest_entry(first.event).after_dose
    assert first.event.entries.count() == 3


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"past_the_gate": "  "}, "past_the_gate"),
        ({"second": "second"}, "second_email"),
        ({"kit_number": "9F79-BK9"}, "kit_number"),
        ({"count": 2}, None),
        ({"strength_mg": Decimal("10"), "second_strength_mg": Decimal("10")}, None),
        ({"given_at": timedelta(minutes=1)}, "given_at"),
        ({"given_at": -timedelta(days=1)}, "given_at"),
    ],
)  # fmt: skip
def test_nothing_but_this_person_s_own_dose_is_recorded_so(
    ready: Case, changed: dict[str, Any], field: str | None
) -> None:
    given = {"past_the_gate": WHY, **changed}
    if "second" in given:
        given["second_email"] = ready.users[given.pop("second")].email
    if "given_at" in given:
        given["given_at"] = ready.t + given["given_at"]
    with pytest.raises(Refused) as refused:
        ready.give(**given)
    assert refused.value.field == field
    assert not Dose.objects.exists()
    assert not Deviation.objects.filter(what__startswith="Near miss").exists()


def test_the_database_wants_the_deviation(ready: Case) -> None:
    ready.forward(11)
    refused_by_database(INSERT, *row(ready, at=ready.t - 11 * MINUTE), says="dose_recorded_at_once")


def test_the_page_takes_it_and_says_what_it_is(ready: Case, client_of: Any) -> None:
    client: Client = client_of(ready.users["experimenter"])
    visit = ready.visit(2)
    page = reverse("dose_past_gate", args=[ready.study.slug, visit.uid])
    dose = client.get(reverse("dose", args=[ready.study.slug, visit.uid])).content.decode()
    assert page in dose
    form = client.get(page).context["form"]
    at = (ready.t - 3 * MINUTE).astimezone(ready.study.zone)
    given = {
        "client_id": form["client_id"].value(), "kit_number": ready.kit_number(), "given_at": f"{at:%Y-%m-%dT%H:%M}",
        "past_the_gate": "", "count": "1", "strength_mg": "40", "second_count": "1", "second_strength_mg": "40",
        "second_email": ready.users["clinician"].email, "second_password": cast.PASSWORD, "mouth_checked": "on",
    }  # fmt: skip
    assert client.post(page, given).status_code == 422
    assert client.post(page, given | {"past_the_gate": WHY}).status_code == 302
    assert Dose.objects.get().deviation
    assert "A dose is on record" in client.get(page).content.decode()
    assert Event.objects.filter(action="dose.given").count() == 1

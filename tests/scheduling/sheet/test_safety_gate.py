"""What happened to somebody else shuts the gate for this dose: F-06, F-48, F-49 and the stopping rules, to the end."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from scheduling.models import Dose
from scheduling.selectors.gate_safety import beside_gate
from scheduling.services.doses import GateShut
from studylab import clock
from studylab.allocation.selectors import kit_of
from studylab.participants import doses
from studylab.participants.models import DosingPause, EventEntry, Participant
from studylab.participants.services import (
    EventSaid,
    care_status_record,
    event_read,
    event_record,
    news_answer,
    news_decide,
)
from tests import cast
from tests.participants.people import BEN, add, give_consent
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUR = timedelta(hours=1)
SAID = EventSaid(
    what="A dull headache.", term="headache", started_at=None, started_known="unknown", ended_at=None,
    ended_known="unknown", grade=1, criteria=(), action="nothing", outcome="recovered",
)  # fmt: skip


@pytest.fixture
def case(ready: Case, monkeypatch: pytest.MonkeyPatch) -> Case:
    """Everything is ready for a dose; Ben, the only one dosed so far, had his yesterday evening."""
    monkeypatch.setattr(doses, "_readers", [lambda _s: [(ben(ready).pk, ready.t - 12 * HOUR)]])
    return ready


def ben(case: Case) -> Participant:
    found = Participant.objects.exclude(pk=case.participant.pk).first()
    if found is None:
        with clock.travel(case.t - 30 * HOUR):
            office = cast.actor_of(case.users["coordinator"], case.study)
            found = add(office, case.study, BEN)
            give_consent(office, found, case.t - 31 * HOUR)
    return found


def codes(case: Case) -> set[str]:
    with pytest.raises(GateShut) as shut, transaction.atomic():
        case.give()
    return set(shut.value.codes)


def headache(case: Case, role: str, event: EventSaid = SAID) -> EventEntry:
    entry: EventEntry = case.act(
        event_record, role, participant=ben(case), source="phone", aware_at=case.t, event=event
    )
    return entry


def test_an_unexpected_symptom_of_the_first_people_is_looked_at_first(case: Case) -> None:
    entry = headache(case, "experimenter")
    assert codes(case) == {"symptom_unexpected"}
    beside = beside_gate(case.study, case.participant)
    assert [(one.term, one.people, one.dosed) for one in beside.tally] == [("headache", 1, 1)]
    case.act(event_read, "clinician", entry=entry)
    assert case.give()


def test_somebody_in_care_shuts_the_gate_until_news_comes_and_everybody_is_told(
    case: Case,
) -> None:
    taken = EventSaid(**{**{n: getattr(SAID, n) for n in SAID.__slots__}, "care_at": case.t, "care_where": "hospital"})  # fmt: skip
    event = headache(case, "clinician", taken).event
    assert codes(case) == {"care_unknown", "news_unapproved"}
    case.act(
        care_status_record, "clinician", event=event, status="stable", source="ward doctor",
        obtained_at=case.t,
    )  # fmt: skip
    text = case.act(
        news_decide, "clinician", event=event, needed=True, text="Somebody went to hospital.", reason="",
        password=cast.PASSWORD,
    )  # fmt: skip
    assert codes(case) == {"news_untold"}
    tell = {"news": text, "participant": case.participant, "told_at": case.t}
    case.act(news_answer, "experimenter", choice="stop", **tell)
    assert codes(case) == {"news_stop"}
    case.act(news_answer, "experimenter", choice="continue", **tell)
    assert case.give()


def test_a_pause_shuts_the_gate_and_the_table_itself(case: Case) -> None:
    DosingPause.objects.create(
        study=case.study, kind="rule", rule="slow_pulse", text="Two of ten", opened_at=case.t
    )
    assert codes(case) == {"stopping_rule"}
    kit = kit_of(case.participant)
    with pytest.raises(IntegrityError, match="Dosing is paused"), transaction.atomic():
        Dose.objects.create(
            visit=case.visit(2), participant=case.participant, kit=kit, count=1, strength_mg=40,
            given_at=case.t, wait=HOUR, recorded_at=case.t, given_by=case.users["experimenter"],
            checked_by=case.users["second"], mouth_checked=True, gate={},
        )  # fmt: skip

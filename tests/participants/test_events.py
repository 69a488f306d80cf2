"""Adverse events: entries that are added, clocks that run, pauses that two people end, and nobody dosed unaware.

The cases are F-06, F-07, F-48, F-49, F-64 and F-65 of the house's collection; the clocks have their own pure tests.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import (
    AdverseEvent,
    Deviation,
    DosingPause,
    EventEntry,
    Participant,
)
from studylab.participants.selectors.events import newest_entry
from studylab.participants.selectors.owed import owed_reports
from studylab.participants.selectors.safety import (
    news_for,
    open_pauses,
    people_in_care,
    symptoms_not_written,
    tally,
    unread,
)
from studylab.participants.selectors.told import people_not_told
from studylab.participants.services import (
    EventSaid,
    Judgement,
    care_status_record,
    deviation_record,
    event_add,
    event_close,
    event_judge,
    event_read,
    event_record,
    hold_open,
    news_answer,
    news_decide,
    pause_sign,
    person_not_told,
    report_received,
    report_sent,
)
from studylab.studies.selectors import current_protocol
from studylab.studies.services import study_state_set
from tests import cast
from tests.participants.people import assess, run_sql

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUR = timedelta(hours=1)
DIZZY = EventSaid(
    what="The room turned for a minute.", term="dizziness", started_at=None, started_known="unknown", ended_at=None,
    ended_known="unknown", grade=1, criteria=(), action="Sat down", outcome="recovered",
)  # fmt: skip
PW = cast.PASSWORD


def record(
    person: Participant, actor: Actor, at: datetime, event: EventSaid = DIZZY, **kw: Any
) -> EventEntry:
    return event_record(
        participant=person, source="phone", aware_at=at, event=event, actor=actor, **kw
    )


def test_an_event_is_added_to_and_corrected_but_never_changed(
    dosed: None, consented: Participant, keeper: Actor, doctor: Actor, noon: datetime
) -> None:
    first = record(consented, keeper, noon - HOUR)
    assert (first.expected, first.after_dose, first.event.number) == (True, True, 1)
    worse = replace(DIZZY, grade=3, criteria=("important",), outcome="recovering")
    more = event_add(
        entry=first, aware_at=noon, event=worse, note="Fell twice since.", actor=keeper
    )
    typo = replace(worse, term="HEADACHE")
    fixed = event_add(entry=more, aware_at=None, event=typo, note="Wrong line read.", actor=keeper)
    assert fixed.aware_at == noon  # a correction gains no time
    assert (fixed.term, fixed.expected) == ("headache", False)
    with pytest.raises(Conflict):  # somebody who still looks at an older entry
        event_add(entry=more, aware_at=noon, event=worse, note="x", actor=keeper)
    with pytest.raises(NotAllowed):
        event_judge(entry=fixed, judgement=Judgement(relation="unlikely", why="x", beyond_list=False), actor=keeper)  # fmt: skip
    judged = event_judge(entry=fixed, judgement=Judgement(relation="unlikely", why="Flu.", beyond_list=False), actor=doctor)  # fmt: skip
    assert [e.why for e in EventEntry.objects.order_by("id")] == ["first", "follow_up", "correction", "judgement"]  # fmt: skip
    assert newest_entry(judged.event) == judged
    for sql in ("UPDATE participants_evententry SET grade = 1", "DELETE FROM participants_evententry"):  # fmt: skip
        with pytest.raises(DatabaseError, match="Cannot"):
            run_sql(sql)
    with pytest.raises(IntegrityError, match="stay"), transaction.atomic():
        AdverseEvent.objects.update(aware_at=noon - 2 * HOUR)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"grade": 4}, "criteria"),
        ({"outcome": "fatal"}, "outcome"),
        ({"criteria": ("rude",)}, "criteria"),
        ({"care_where": "hospital"}, "care_where"),
        ({"term": " "}, "term"),
        ({"action": ""}, "action"),
    ],
)
def test_what_does_not_fit_is_refused_at_its_field(
    dosed: None, consented: Participant, keeper: Actor, noon: datetime, changed: Any, field: str
) -> None:
    with pytest.raises(Refused) as refused:
        record(consented, keeper, noon, replace(DIZZY, **changed))
    assert refused.value.field == field
    assert not AdverseEvent.objects.exists()


def test_a_serious_event_is_red_until_the_receipt_is_entered_and_then_closed(
    dosed: None, consented: Participant, ben: Participant, keeper: Actor, doctor: Actor, study: Any, noon: datetime
) -> None:  # fmt: skip
    grave = replace(DIZZY, term="faint", grade=3, criteria=("hospital",))
    entry = record(ben, keeper, noon - HOUR, grave)
    (owed,) = owed_reports(study, noon)
    assert (owed.due.rule, owed.due.due_by) == ("sponsor", noon + 23 * HOUR)
    with pytest.raises(RefusedWithReasons) as left:
        event_close(event=entry.event, password=PW, actor=doctor)
    assert len(left.value.reasons) == 2  # the report, and nobody judged the cause
    event_judge(entry=entry, judgement=Judgement(relation="related", why="On standing up.", beyond_list=False), actor=doctor)  # fmt: skip
    sent = report_sent(subject=entry.event, rule="sponsor", part="first", sent_at=noon, how="mail", actor=keeper)  # fmt: skip
    assert owed_reports(study, noon)[0].due.state == "sent"
    with pytest.raises(Conflict):
        report_sent(subject=entry.event, rule="sponsor", part="first", sent_at=noon, how="mail", actor=keeper)  # fmt: skip
    report_received(report=sent, receipt="SD-1", received_at=noon, actor=keeper)
    assert owed_reports(study, noon) == []
    closed = event_close(event=entry.event, password=PW, actor=doctor)
    assert closed.state == "closed"
    again = event_add(
        entry=newest_entry(closed), aware_at=noon, event=grave, note="A letter came.", actor=keeper
    )
    assert again.event.state == "open"  # its signature stood under what was known then


def test_a_stopping_rule_pauses_until_physician_and_lead_both_sign(
    dosed: None, consented: Participant, ben: Participant, keeper: Actor, doctor: Actor, chief: Actor, study: Any,
    noon: datetime,
) -> None:  # fmt: skip
    """The worked example: a slow pulse in two of ten people, one told, one held for its values."""
    record(consented, keeper, noon, replace(DIZZY, term="slow pulse"))
    assert not open_pauses(study).exists()
    hold_open(participant=ben, kind="vitals", reason="pulse 44", actor=keeper)
    pause = open_pauses(study).get()
    assert (pause.rule, len(pause.marks)) == ("slow_pulse", 2)
    with pytest.raises(NotAllowed):
        pause_sign(pause=pause, as_lead=True, reason="x", password=PW, actor=doctor)
    pause = pause_sign(pause=pause, as_lead=False, reason="Both well.", password=PW, actor=doctor)
    assert pause.lifted_at is None
    with pytest.raises(IntegrityError, match="two"), transaction.atomic():
        DosingPause.objects.update(lifted_at=noon)
    pause = pause_sign(pause=pause, as_lead=True, reason="Agreed.", password=PW, actor=chief)
    assert pause.lifted_at == noon
    record(ben, keeper, noon)  # nothing the rule counts: no new pause
    assert not open_pauses(study).exists()
    record(ben, keeper, noon, replace(DIZZY, term="faint"))
    assert len(open_pauses(study).get().marks) == 3


def test_f48_somebody_in_care_pauses_until_a_named_source_says_how_they_are(
    dosed: None, consented: Participant, keeper: Actor, doctor: Actor, study: Any, noon: datetime
) -> None:
    """Entered as "sent for observation, not serious": silence is not recovery."""
    taken = replace(DIZZY, care_at=noon - HOUR, care_where="Town hospital", outcome="unknown")
    event = record(consented, keeper, noon, taken).event

    def counts() -> datetime | None:
        (one,) = people_in_care(study, list(open_pauses(study)))
        return one.newest.counts_until if one.newest else None

    assert counts() is None
    say = {"event": event, "obtained_at": noon, "actor": doctor}
    with pytest.raises(NotAllowed):
        care_status_record(**{**say, "actor": keeper}, status="stable", source="ward")
    with pytest.raises(Refused):
        care_status_record(**say, status="stable", source=" ")
    care_status_record(**say, status="stable", source="Ward doctor, by phone")
    assert counts() == noon + 4 * HOUR
    care_status_record(**say, status="not_known", source="")
    assert counts() is None  # the newest word counts, and "not known" never opens
    care_status_record(**say, status="home", source="Discharge letter")
    assert not open_pauses(study).exists()
    with clock.travel(
        noon + HOUR
    ):  # taken to care once more: what was said before counts for nothing
        event_add(
            entry=newest_entry(event), aware_at=noon + HOUR, note="Back in hospital.", actor=keeper,
            event=replace(taken, care_at=noon + HOUR),
        )  # fmt: skip
    assert counts() is None


def test_f49_the_tally_counts_people_and_what_is_unread_shows(
    dosed: None, consented: Participant, ben: Participant, keeper: Actor, doctor: Actor, study: Any, noon: datetime
) -> None:  # fmt: skip
    plan = current_protocol(study).plan.safety
    for person in (consented, ben, ben):
        record(person, keeper, noon)
    odd = record(ben, keeper, noon, replace(DIZZY, term="green hair"))
    assert [(t.term, t.people, t.dosed) for t in tally(study, 2)] == [("dizziness", 2, 2), ("green hair", 1, 2)]  # fmt: skip
    seen = unread(study, plan, noon)
    assert [(u.old, u.first) for u in seen] == [(False, False)] * 3 + [(False, True)]
    assert all(u.old for u in unread(study, plan, noon + timedelta(hours=20)))
    event_read(entry=odd, actor=doctor)
    assert not any(u.first for u in unread(study, plan, noon))
    hold = hold_open(participant=ben, kind="symptom", reason="feels odd", actor=keeper)
    assert symptoms_not_written(study, noon) == [ben.code]
    record(ben, keeper, noon, hold=hold)
    assert symptoms_not_written(study, noon) == []


def test_f06_people_with_a_dose_to_come_are_told_and_choose(
    dosed: None, consented: Participant, ben: Participant, keeper: Actor, doctor: Actor, noon: datetime, actor_of: Any,
    experimenter: Any,
) -> None:  # fmt: skip
    event = record(consented, keeper, noon, replace(DIZZY, criteria=("hospital",))).event
    (row,) = news_for(ben)
    assert row.text is None
    assert news_for(consented) == []  # whose event it is knows
    decide = {"event": event, "needed": True, "reason": "", "password": PW, "actor": doctor}
    with pytest.raises(Refused) as named:
        news_decide(**decide, text=f"{consented.code} went to hospital.")
    assert named.value.field == "text"
    text = news_decide(**decide, text="Somebody went to hospital the evening after the capsule.")
    tell = {"participant": ben, "told_at": noon, "actor": actor_of(experimenter)}
    news_answer(news=text, choice="continue", **tell)
    answer = news_for(ben)[0].answer
    assert answer is not None
    assert answer.choice == "continue"
    newer = news_decide(**decide, text="They are home again; no cause was found.")
    assert news_for(ben)[0].answer is None  # a newer text is told anew
    with pytest.raises(Conflict):
        news_answer(news=text, choice="continue", **tell)
    assert newer.version == 2


def test_f07_f65_a_wrong_dose_is_told_and_its_seven_days_run_from_the_first_awareness(
    consented: Participant, keeper: Actor, doctor: Actor, chief: Actor, study: Any, noon: datetime
) -> None:  # fmt: skip
    given = {"study": study, "participant": consented, "kind": "dose", "what": "Two tablets instead of one.",
             "occurred_at": noon - 5 * HOUR, "actor": keeper}  # fmt: skip
    with pytest.raises(Refused) as asked:
        deviation_record(**given)
    assert asked.value.field == "breach"
    late = deviation_record(**given, breach="maybe", aware_at=noon - 4 * HOUR)
    (owed,) = owed_reports(study, noon)
    assert (owed.due.covers, owed.due.state) == ("serious_breach", "open")
    assert owed.due.aware_at == noon - 4 * HOUR
    assert people_not_told(study) == [late]
    with clock.travel(noon + timedelta(days=8)):
        assert owed_reports(study, clock.now())[0].due.state == "overdue"
        assess(late, chief)  # judged: no serious breach
        assert owed_reports(study, clock.now()) == []
    from studylab.participants.services import deviation_close, deviation_explain

    deviation_explain(deviation=late, explanation="Wrong count.", actor=keeper)
    with pytest.raises(RefusedWithReasons, match="cannot be closed"):
        deviation_close(deviation=late, password=PW, actor=chief)
    person_not_told(subject=late, reason="Cannot be reached any more.", password=PW, actor=doctor)
    deviation_close(deviation=late, password=PW, actor=chief)
    assert people_not_told(study) == []
    assert Deviation.objects.get().state == "closed"


def test_a_study_is_not_closed_over_what_is_open(
    dosed: None, consented: Participant, keeper: Actor, chief: Actor, study: Any, noon: datetime
) -> None:
    record(consented, keeper, noon, replace(DIZZY, criteria=("important",)))
    with pytest.raises(RefusedWithReasons) as left:
        study_state_set(study=study, state="closed", reason="Done.", actor=chief)
    assert len(left.value.reasons) == 2  # the report, and the open event
    assert "1 adverse event is not closed." in left.value.reasons

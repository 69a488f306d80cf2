"""Adverse events: recorded, followed up, corrected and judged by adding entries, then closed by signature."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Max

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused
from studylab.participants.doses import doses_of
from studylab.participants.models import AdverseEvent, EventEntry, EventReading, Hold, Participant
from studylab.participants.rules.events import (
    CRITERIA,
    OUTCOMES,
    RELATIONS,
    Told,
    after_dose,
    misfits,
)
from studylab.participants.selectors.events import newest_entry
from studylab.participants.services.checks import lock_participant, require_study, said
from studylab.participants.services.pauses import care_pause, stopping_evaluate
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class EventSaid:
    """What somebody says about an event: their own words, a plain term, and the rest of one entry."""

    what: str
    term: str
    started_at: datetime | None
    started_known: str
    ended_at: datetime | None
    ended_known: str
    grade: int
    criteria: tuple[str, ...]
    action: str
    outcome: str
    care_at: datetime | None = None
    care_where: str = ""
    in_error: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A clinician's view of the cause, and whether the event is worse than the study's list says."""

    relation: str
    why: str
    beyond_list: bool
    sponsor_relation: str = ""


@dataclass(frozen=True, slots=True)
class _Base:
    """What an entry takes from the one before it, unless it says otherwise."""

    judgement: dict[str, Any] = field(default_factory=dict)
    supersedes: EventEntry | None = None


@service
def event_record(
    *,
    participant: Participant,
    source: str,
    aware_at: datetime,
    event: EventSaid,
    hold: Hold | None = None,
    actor: Actor,
) -> EventEntry:
    """Record an event as first heard of at `aware_at`; `hold` is the hold for symptoms that it explains.

    Somebody taken to care pauses dosing, and the stopping rules of the study are asked. Returns the first entry.
    """
    require(actor, Cap.EVENT_RECORD)
    participant = lock_participant(participant, actor)
    if source not in AdverseEvent.Source.values:
        raise Refused("Choose how it became known.", field="source")
    numbered = AdverseEvent.objects.filter(participant=participant)
    made = AdverseEvent.objects.create(
        study=participant.study, participant=participant, source=source, hold=hold,
        number=(numbered.aggregate(most=Max("number"))["most"] or 0) + 1,
        aware_at=_not_later(aware_at), recorded_at=clock.now(), recorded_by_id=actor.user_id,
    )  # fmt: skip
    entry = _entry(made, EventEntry.Why.FIRST, aware_at, event, _Base(), actor=actor)
    _note(actor, Action.EVENT_RECORDED, entry)
    return _follow(entry, actor)


@service
def event_add(
    *, entry: EventEntry, aware_at: datetime | None, event: EventSaid, note: str, actor: Actor
) -> EventEntry:
    """Add what became known at `aware_at` (a follow-up), or correct `entry` when it is None.

    What a correction says was known as early as what it corrects, so no clock is gained by it. A closed event is
    open again. Raises Conflict when `entry` is no longer the newest.
    """
    require(actor, Cap.EVENT_RECORD)
    if event.in_error:
        require(actor, Cap.EVENT_JUDGE)
    locked = _lock(entry, actor)
    why = EventEntry.Why.CORRECTION if aware_at is None else EventEntry.Why.FOLLOW_UP
    ask = "Say why it is corrected." if aware_at is None else "Say what is new."
    base = _Base({name: getattr(entry, name) for name in _JUDGED}, entry)
    when = entry.aware_at if aware_at is None else _not_later(aware_at)
    made = _entry(locked, why, when, event, base, note=said(note, field="note", ask=ask), actor=actor)  # fmt: skip
    _reopen(locked)
    _note(actor, Action.EVENT_CORRECTED if aware_at is None else Action.EVENT_ADDED_TO, made)
    return _follow(made, actor)


_JUDGED = ("beyond_list", "relation", "sponsor_relation", "relation_why", "judged_by")
_SAID = (
    "what", "term", "started_at", "started_known", "ended_at", "ended_known", "grade", "action", "outcome", "care_at",
    "care_where", "in_error",
)  # fmt: skip


@service
def event_judge(*, entry: EventEntry, judgement: Judgement, actor: Actor) -> EventEntry:
    """Record a clinician's view of the cause. Nobody is asked for the arm, and nobody is shown it."""
    require(actor, Cap.EVENT_JUDGE)
    locked = _lock(entry, actor)
    if judgement.relation not in RELATIONS:
        raise Refused("Choose how the event is related to the capsule.", field="relation")
    if judgement.sponsor_relation and judgement.sponsor_relation not in RELATIONS:
        raise Refused("Choose the sponsor's view, or leave it open.", field="sponsor_relation")
    why = said(judgement.why, field="why", ask="Say why: the report quotes it.")
    judged = {
        "beyond_list": judgement.beyond_list, "relation": judgement.relation,
        "sponsor_relation": judgement.sponsor_relation, "relation_why": why,
        "judged_by_id": actor.user_id,
    }  # fmt: skip
    made = _entry(
        locked, EventEntry.Why.JUDGEMENT, entry.aware_at, _said(entry), _Base(judged, entry),
        note=f"Judged: {RELATIONS[judgement.relation]}.", actor=actor,
    )  # fmt: skip
    _reopen(locked)
    _note(actor, Action.EVENT_JUDGED, made)
    return _follow(made, actor)


def events_recount(*, participant: Participant, actor: Actor) -> None:
    """Judge anew whether this person's events came after the dose, inside the transaction that changed its time.

    What turns out to have come after it counts for clocks, pauses and stopping rules from the same awareness on.
    """
    dosed_at, zone = doses_of(participant.study).get(participant.pk), participant.study.zone
    for entry in EventEntry.objects.filter(STANDS, event__participant=participant):
        after = after_dose(entry.started_at, entry.started_known, dosed_at, zone)
        if after == entry.after_dose:
            continue
        locked, judged = _lock(entry, actor), {name: getattr(entry, name) for name in _JUDGED}
        made = _entry(
            locked, EventEntry.Why.CORRECTION, entry.aware_at, _said(entry), _Base(judged, entry),
            note=f"By the time of the dose on record now, it began {'after' if after else 'before'} the dose.",
            actor=actor,
        )  # fmt: skip
        _reopen(locked)
        _note(actor, Action.EVENT_CORRECTED, made)
        if after and made.care_at is not None and not made.in_error:
            care_pause(event=locked, actor=actor)
    stopping_evaluate(study=participant.study, actor=actor)


@service
def event_read(*, entry: EventEntry, actor: Actor) -> EventReading:
    """Note that a clinician has read an entry. Read again, the first reading is returned."""
    require(actor, Cap.EVENT_JUDGE)
    require_study(actor, entry.event.study_id)
    assert actor.user_id is not None, "only people hold this capability"
    made, new = EventReading.objects.get_or_create(
        entry=entry, by_id=actor.user_id, defaults={"at": clock.now()}
    )
    if new:
        _note(actor, Action.EVENT_READ, entry)
    return made


def _said(entry: EventEntry) -> EventSaid:
    return EventSaid(criteria=tuple(entry.criteria), **{name: getattr(entry, name) for name in _SAID})  # fmt: skip


def _lock(entry: EventEntry, actor: Actor) -> AdverseEvent:
    lock_participant(entry.event.participant, actor)
    locked: AdverseEvent = lock(AdverseEvent, pk=entry.event_id)
    return locked


def _not_later(aware_at: datetime) -> datetime:
    if aware_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="aware_at")
    return aware_at


def _reopen(event: AdverseEvent) -> None:
    """Open a closed event again: its signature stood under what was known then, and stays in the history."""
    if event.state == AdverseEvent.State.CLOSED:
        event.state, event.closing, event.closed_at = AdverseEvent.State.OPEN, None, None
        event.save(update_fields=["state", "closing", "closed_at"])


def _entry(
    event: AdverseEvent,
    why: str,
    aware_at: datetime,
    told: EventSaid,
    base: _Base,
    *,
    note: str = "",
    actor: Actor,
) -> EventEntry:
    _check(told, aware_at)
    study = event.study
    term = said(told.term, field="term", ask="Give a plain term for it.", most=80)
    listed = current_protocol(study).plan.safety.term(term)
    dosed_at = doses_of(study).get(event.participant_id)
    beyond = bool(base.judgement.get("beyond_list"))
    known = {name: getattr(told, name) for name in _SAID}
    return EventEntry.objects.create(
        **{
            **known, **base.judgement,
            "what": said(told.what, field="what", ask="Write what happened, in the person's own words if you can."),
            "term": listed.term if listed else term,
            "action": said(told.action, field="action", ask="Say what was done, or that nothing was."),
        },
        event=event, why=why, aware_at=aware_at, note=note, criteria=sorted(told.criteria),
        after_dose=after_dose(told.started_at, told.started_known, dosed_at, study.zone),
        expected=bool(listed and listed.expected and not beyond),
        always_report=bool(listed and listed.always_report),
        recorded_at=clock.now(), recorded_by_id=actor.user_id, supersedes=base.supersedes,
    )  # fmt: skip


def _check(told: EventSaid, aware_at: datetime) -> None:
    """Refuse what does not fit together, at its field."""
    if set(told.criteria) - set(CRITERIA):
        raise Refused("Choose from the criteria shown.", field="criteria")
    if told.outcome not in OUTCOMES:
        raise Refused("Choose how it went on.", field="outcome")
    if (told.care_at is None) != (not told.care_where.strip()):
        raise Refused("Give both: when and where the person was taken to care.", field="care_where")
    if told.care_at is not None and told.care_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="care_at")
    facts = Told(
        grade=told.grade, criteria=told.criteria, outcome=told.outcome, started_at=told.started_at,
        started_known=told.started_known, ended_at=told.ended_at, ended_known=told.ended_known,
        aware_at=aware_at,
    )  # fmt: skip
    for where, sentence in misfits(facts, clock.now()):
        raise Refused(sentence, field=where)


def _follow(entry: EventEntry, actor: Actor) -> EventEntry:
    """Do what an entry brings with it: reading by who may judge, the pause over care, the stopping rules."""
    if actor.may(Cap.EVENT_JUDGE) and actor.user_id is not None:
        EventReading.objects.create(entry=entry, by_id=actor.user_id, at=clock.now())
    before = entry.supersedes.care_at if entry.supersedes else None
    taken = entry.care_at is not None and entry.care_at != before
    if taken and entry.after_dose and not entry.in_error:
        care_pause(event=entry.event, actor=actor)
    stopping_evaluate(study=entry.event.study, actor=actor)
    return entry


def _note(actor: Actor, action: Action, entry: EventEntry) -> None:
    audit(
        actor=actor, action=action, subject_type="event", subject_code=entry.event.uid,
        participant_code=entry.event.participant.code, study_id=entry.event.study_id,
        reason=entry.note,
        data={
            "term": entry.term, "grade": entry.grade, "serious": entry.serious,
            "expected": entry.expected, "relation": entry.relation, "outcome": entry.outcome,
            "aware_at": entry.aware_at.isoformat(),
        },
    )  # fmt: skip


__all__ = [
    "EventSaid",
    "Judgement",
    "event_add",
    "event_judge",
    "event_read",
    "event_record",
    "events_recount",
    "newest_entry",
]

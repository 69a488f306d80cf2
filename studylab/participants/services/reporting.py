"""Reports that were sent, their receipts, what volunteers are told, and what they choose."""

from datetime import datetime
from typing import Any

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import (
    AdverseEvent,
    Deviation,
    NewsAnswer,
    Participant,
    SafetyNews,
    SafetyReport,
    Told,
)
from studylab.participants.rules.report_clocks import Due
from studylab.participants.selectors.events import entries_of
from studylab.participants.selectors.owed import reports_of_deviation, reports_of_event
from studylab.participants.services.checks import lock_participant, require_study, said
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.selectors import current_protocol

NEWS = "I have read this text and approve it for volunteers with a dose to come"
NO_NEWS = "I have looked at this event; volunteers with a dose to come need not be told"
NOT_TOLD = "I have decided that the volunteer is not told of this, for the reason given"
Subject = AdverseEvent | Deviation


def due_of(subject: Subject, at: datetime) -> list[Due]:
    """Return what is due and what was sent about one event or deviation."""
    plan = current_protocol(subject.study).plan.safety
    if isinstance(subject, AdverseEvent):
        return reports_of_event(subject, entries_of(subject), plan, at)
    return reports_of_deviation(subject, plan, at)


@service
def report_sent(
    *,
    subject: Subject,
    rule: str,
    part: str,
    sent_at: datetime,
    how: str,
    receipt: str = "",
    received_at: datetime | None = None,
    actor: Actor,
) -> SafetyReport:
    """Record that a report was sent, and its receipt if it came already. Sent late, it says so for ever."""
    require(actor, Cap.REPORT_RECORD)
    require_study(actor, subject.study_id)
    now = clock.now()
    if sent_at > now:
        raise Refused("This is later than now. Check date and time.", field="sent_at")
    due = next((d for d in due_of(subject, now) if (d.rule, d.part) == (rule, part)), None)
    if due is None:
        raise Refused("No such report is due about this. Reload the page.")
    if due.sent_at is not None:
        raise Conflict("This report is on record already. Enter its receipt there.")
    if sent_at < due.aware_at:
        raise Refused(
            "It cannot be sent before anybody knew. Check date and time.", field="sent_at"
        )
    made = SafetyReport.objects.create(
        **_subject(subject), rule=rule, part=part, to=due.to, due_by=due.due_by, sent_at=sent_at,
        how=said(how, field="how", ask="Say how it was sent, and by whom.", most=200),
        recorded_at=now, recorded_by_id=_user(actor), **_receipt(receipt, received_at, sent_at),
    )  # fmt: skip
    _note(actor, Action.REPORT_SENT, subject, _data(made))
    return made


@service
def report_received(
    *, report: SafetyReport, receipt: str, received_at: datetime, actor: Actor
) -> SafetyReport:
    """Enter how the arrival of a report was confirmed, as a further entry."""
    require(actor, Cap.REPORT_RECORD)
    subject = _of(report)
    require_study(actor, subject.study_id)
    if report.receipt:
        raise Conflict("The receipt of this report is on record already.")
    kept = ("event_id", "deviation_id", "rule", "part", "to", "due_by", "sent_at", "how")
    text = said(receipt, field="receipt", ask="Write the reference or who confirmed it.", most=200)
    made = SafetyReport.objects.create(
        **{name: getattr(report, name) for name in kept},
        **_receipt(text, received_at, report.sent_at),
        recorded_at=clock.now(), recorded_by_id=_user(actor), supersedes=report, reason="receipt",
    )  # fmt: skip
    _note(actor, Action.REPORT_RECEIVED, subject, _data(made))
    return made


def _receipt(text: str, at: datetime | None, sent_at: datetime) -> dict[str, Any]:
    text = text.strip()
    if not text:
        if at is not None:
            raise Refused("Write the reference, or leave the time empty.", field="receipt")
        return {"receipt": "", "received_at": None}
    if at is None:
        raise Refused("Say when the receipt came.", field="received_at")
    if at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="received_at")
    if at < sent_at:
        raise Refused("A receipt cannot come before the report. Check it.", field="received_at")
    return {"receipt": text[:200], "received_at": at}


def _data(report: SafetyReport) -> dict[str, Any]:
    return {
        "rule": report.rule, "part": report.part, "to": report.to,
        "sent_at": report.sent_at.isoformat(), "due_by": report.due_by.isoformat(),
        "receipt": report.receipt,
    }  # fmt: skip


@service
def person_told(
    *, subject: Subject, told_at: datetime, told_by: str, wording: str, actor: Actor
) -> Told:
    """Record that the person was told: when, by whom and in which words."""
    require(actor, Cap.EVENT_RECORD)
    require_study(actor, subject.study_id)
    if told_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="told_at")
    made = Told.objects.create(
        **_subject(subject), told=True, told_at=told_at, recorded_at=clock.now(),
        told_by=said(told_by, field="told_by", ask="Say who told the volunteer.", most=120),
        wording=said(wording, field="wording", ask="Keep the words that were used."),
        recorded_by_id=_user(actor),
    )  # fmt: skip
    _note(actor, Action.PERSON_TOLD, subject, {"told": True, "told_at": told_at.isoformat()})
    return made


def person_not_told(*, subject: Subject, reason: str, password: str, actor: Actor) -> Told:
    """Record by a clinician's signature that the person is not told, and why. Raises WrongPassword."""
    require(actor, Cap.EVENT_JUDGE)
    require_study(actor, subject.study_id)
    text = said(reason, field="reason", ask="Say why the volunteer is not told.")
    user = check_password(
        actor=actor, password=password, subject_type="told", subject_code=subject.uid
    )
    return _not_told(subject=subject, reason=text, user=user, actor=actor)


@service
def _not_told(*, subject: Subject, reason: str, user: User, actor: Actor) -> Told:
    signature = signature_write(
        actor=actor, user=user, meaning=NOT_TOLD, subject_type="told", subject_code=subject.uid,
        content={"subject": str(subject.uid), "reason": reason}, participant_code=_code(subject),
    )  # fmt: skip
    made = Told.objects.create(
        **_subject(subject), told=False, reason=reason, signature=signature,
        recorded_at=clock.now(), recorded_by_id=_user(actor),
    )  # fmt: skip
    _note(actor, Action.PERSON_TOLD, subject, {"told": False}, reason)
    return made


def news_decide(
    *, event: AdverseEvent, needed: bool, text: str, reason: str, password: str, actor: Actor
) -> SafetyNews:
    """Approve by signature what people with a dose to come are told, or that they need not be. Never names anybody."""
    require(actor, Cap.EVENT_JUDGE)
    require_study(actor, event.study_id)
    words = said(text, field="text", ask="Write what volunteers are told.") if needed else ""
    why = "" if needed else said(reason, field="reason", ask="Say why nobody needs to be told.")
    if event.participant.code.casefold() in words.casefold():
        raise Refused("The text names whose event it is. Leave the code out.", field="text")
    user = check_password(
        actor=actor, password=password, subject_type="news", subject_code=event.uid
    )
    return _news(event=event, text=words, reason=why, user=user, actor=actor)


@service
def _news(*, event: AdverseEvent, text: str, reason: str, user: User, actor: Actor) -> SafetyNews:
    lock(AdverseEvent, pk=event.pk)
    version = event.news.count() + 1
    signature = signature_write(
        actor=actor, user=user, meaning=NEWS if text else NO_NEWS, subject_type="news",
        subject_code=event.uid,
        content={"event": str(event.uid), "version": version, "text": text, "reason": reason},
    )  # fmt: skip
    made = SafetyNews.objects.create(
        event=event, version=version, needed=bool(text), text=text, reason=reason,
        signature=signature, approved_at=clock.now(),
    )  # fmt: skip
    _note(actor, Action.NEWS_APPROVED, event, {"version": version, "needed": bool(text)}, reason)
    return made


@service
def news_answer(
    *, news: SafetyNews, participant: Participant, choice: str, told_at: datetime, actor: Actor
) -> NewsAnswer:
    """Record what a person chose after being told an approved text. Somebody who stops is not dosed."""
    require(actor, Cap.VISIT_RUN)
    participant = lock_participant(participant, actor)
    require_study(actor, news.event.study_id)
    if choice not in NewsAnswer.Choice.values:
        raise Refused("Choose what the volunteer decided.", field="choice")
    if not news.approved_at <= told_at <= clock.now():
        raise Refused("The text was not approved then, or this is later than now.", field="told_at")
    newest = news.event.news.order_by("-version").first()
    if not news.needed or newest is None or newest.pk != news.pk:
        raise Conflict("There is a newer text. Reload the page and tell the volunteer that one.")
    made = NewsAnswer.objects.create(
        news=news, participant=participant, choice=choice, told_at=told_at,
        recorded_at=clock.now(), recorded_by_id=_user(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.NEWS_ANSWERED, subject_type="news", subject_code=news.event.uid,
        participant_code=participant.code, study_id=participant.study_id,
        data={"version": news.version, "choice": choice, "told_at": told_at.isoformat()},
    )  # fmt: skip
    return made


def _subject(subject: Subject) -> dict[str, Subject]:
    return {"event" if isinstance(subject, AdverseEvent) else "deviation": subject}


def _of(report: SafetyReport) -> Subject:
    subject = report.event or report.deviation
    assert subject is not None, "the database keeps one of them"
    return subject


def _code(subject: Subject) -> str:
    return subject.participant.code if subject.participant else ""


def _user(actor: Actor) -> int:
    assert actor.user_id is not None, "only people hold this capability"
    return actor.user_id


def _note(
    actor: Actor, action: Action, subject: Subject, data: dict[str, Any], reason: str = ""
) -> None:
    kind = "event" if isinstance(subject, AdverseEvent) else "deviation"
    audit(
        actor=actor, action=action, subject_type=kind, subject_code=subject.uid,
        participant_code=_code(subject), study_id=subject.study_id, reason=reason, data=data,
    )  # fmt: skip

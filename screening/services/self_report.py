"""What the volunteer alone writes, through a personal link: saving as they go, and sending."""

from collections.abc import Mapping
from typing import Any

from screening.models import AnswerSet, Assessment, SelfReport, SelfReportEntry
from screening.rules.rows import QuestionRow
from screening.rules.self_report import (
    HEIGHT,
    MEDICINES,
    WEIGHT,
    Content,
    answers_of,
    changed,
    recorded_medicines,
)
from screening.selectors.answers import newest_answers
from screening.selectors.inputs import table_of
from screening.selectors.self_report import open_report, screens_of, written_of
from screening.services.answers import (
    answers_write,
    checked_answers,
    checked_medicines,
    possible_measure,
)
from screening.services.assessment import refresh
from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Participant, PersonalLink
from studylab.participants.selectors import agreed_to_questions
from studylab.participants.services.checks import lock_participant, require_active
from studylab.participants.services.links import link_used, require_holder
from studylab.studies.selectors import current_protocol

AGAIN = "Answered again by the volunteer, through a personal link."


@service
def self_report_save(
    *,
    participant: Participant,
    screen: int,
    contents: Mapping[str, Content],
    done: bool = True,
    actor: Actor,
) -> SelfReport:
    """Keep what was written on one screen; what did not change is not written again.

    `contents` maps a question's id to {"value", "detail"}, "height_cm" and "weight_kg" to {"value"} in cm and
    kg, "medicines" to {"none", "list"}. "not_sure" is a value everywhere. Nothing is judged.
    `done` says that the screen was gone through.
    """
    participant, report = _open(participant, actor)
    rows = {row.id: row for s in screens_of(participant) if s.number == screen for row in s.rows}
    kept = {key: _checked(key, content, rows) for key, content in contents.items()}
    now = clock.now()
    if report is None:
        report = SelfReport.objects.create(participant=participant, started_at=now)
        _note(actor, Action.SELF_REPORT_BEGUN, report)
    SelfReportEntry.objects.bulk_create(
        SelfReportEntry(
            report=report, participant=participant, key=key, content=dict(content), at=now
        )
        for key, content in changed(written_of(report), kept).items()
    )
    if done and screen not in report.screens_seen:
        report.screens_seen = sorted({*report.screens_seen, screen})
        report.save(update_fields=["screens_seen"])
    return report


@service
def self_report_send(
    *, participant: Participant, link: PersonalLink, language: str, actor: Actor
) -> AnswerSet:
    """Send what is written as the volunteer's own answers and run the rules; the link is used up.

    A question left open stays missing, or keeps what staff recorded before. Sent twice, it is sent once.
    """
    participant, report = _open(participant, actor)
    if link.participant_id != participant.pk:
        raise NotAllowed("This link is another volunteer's.")
    sent = SelfReport.objects.filter(participant=participant, sent_at__isnull=False)
    if report is None and link.used_at is not None:
        return sent.order_by("-sent_at", "-id").select_related("answer_set").first().answer_set  # type: ignore[union-attr, return-value]
    if report is None:
        raise Refused("Nothing is written yet.")
    now = clock.now()
    standing = newest_answers(participant, AnswerSet.When.SCREENING)
    answer_set = answers_write(
        participant=participant, when=AnswerSet.When.SCREENING, visit_uid=None,
        supersedes=standing, reason=AGAIN if standing else "",
        source=AnswerSet.Source.VOLUNTEER, given_at=now, actor=actor,
        **_values(participant, written_of(report), standing),
    )  # fmt: skip
    report.sent_at, report.language, report.answer_set = now, language, answer_set
    report.save(update_fields=["sent_at", "language", "answer_set"])
    link_used(link)
    refresh(participant=participant, gate=Assessment.Gate.SCREENING, visit_uid=None, actor=actor)
    _note(actor, Action.SELF_REPORT_SENT, report)
    return answer_set


def _open(participant: Participant, actor: Actor) -> tuple[Participant, SelfReport | None]:
    """Return the person locked and their open questionnaire; nothing goes on without an agreement."""
    require_holder(actor, participant)
    participant = lock_participant(participant, actor)
    require_active(participant)
    if not agreed_to_questions(participant):
        raise Refused("The agreement to health questions comes first.")
    return participant, open_report(participant)


def _checked(key: str, content: Content, rows: Mapping[str, QuestionRow]) -> Content:
    """Return content as it is stored; Refused for a key of another screen and for what is no answer."""
    if key == MEDICINES:
        listed = list(content.get("list") or [])
        now = clock.now()
        checked_medicines(recorded_medicines(content, "UTC", now), now, own=True)
        return {"none": bool(content.get("none")) and not listed, "list": listed}
    value = content.get("value")
    if key in (HEIGHT, WEIGHT):
        if value != "not_sure":
            value = possible_measure(key, value)
        return {"value": value, "detail": ""}
    if key not in rows:
        raise Refused("There is no such question here. Load the page again.")
    if value in (None, ""):
        return {"value": None, "detail": str(content.get("detail") or "").strip()[:1000]}
    return checked_answers({key: content}, [rows[key]])[key]


def _values(
    participant: Participant, written: Mapping[str, Content], standing: AnswerSet | None
) -> dict[str, Any]:
    """Return what the answer set holds: the volunteer's words, over what stood before where they said none."""
    rows = table_of(current_protocol(participant.study)).asked("screening")
    answers = {**(standing.answers if standing else {}), **answers_of(rows, written)}
    asked = {row.id for row in rows}
    medicines = written.get(MEDICINES) or {}
    said = bool(medicines.get("none") or medicines.get("list"))
    listed = recorded_medicines(medicines, participant.study.timezone, clock.now())
    return {
        "answers": {key: item for key, item in answers.items() if key in asked},
        "medicines": listed if said else (standing.medicines if standing else []),
        "no_medicines": bool(medicines.get("none")) if said else bool(standing and standing.no_medicines),
        "height_cm": _measure(written, HEIGHT, standing),
        "weight_kg": _measure(written, WEIGHT, standing),
    }  # fmt: skip


def _measure(written: Mapping[str, Content], key: str, standing: AnswerSet | None) -> float | None:
    value = (written.get(key) or {}).get("value")
    if isinstance(value, int | float):
        return float(value)
    return getattr(standing, key) if standing else None


def _note(actor: Actor, action: Action, report: SelfReport) -> None:
    """Note what was done and how much, never what was answered."""
    audit(
        actor=actor,
        action=action,
        subject_type="self_report",
        subject_code=report.uid,
        participant_code=report.participant.code,
        study_id=report.participant.study_id,
        data={"screens": len(report.screens_seen), "language": report.language},
    )

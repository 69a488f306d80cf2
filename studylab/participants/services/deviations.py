"""Deviations: recorded, explained, and closed by the signature of somebody else."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused, RefusedWithReasons
from studylab.participants.models import Deviation, DeviationAssessment, Participant
from studylab.participants.models.deviation import BREACH_KINDS
from studylab.participants.selectors import barred_from_closing, signed_content
from studylab.participants.selectors.open_ends import deviation_open_ends
from studylab.participants.services.checks import require_study, said
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study

CLOSING = "I have looked at this deviation and its explanation and close it"


@service
def deviation_record(
    *,
    study: Study,
    kind: str,
    what: str,
    occurred_at: datetime,
    participant: Participant | None = None,
    subject: str = "",
    aware_at: datetime | None = None,
    breach: str = "",
    actor: Actor,
) -> Deviation:
    """Record what went differently, as somebody saw it. `subject` names visit and step, when there is one.

    `aware_at` is when anybody of the study first knew (now, when left out); `breach` says whether it could be a serious
    breach, and is asked for wrong product, dose, person, consent and an opened blind.
    """
    require(actor, Cap.DEVIATION_RECORD)
    require_study(actor, study.pk)
    if kind not in Deviation.Kind.values:
        raise Refused("Choose what kind of deviation it is.", field="kind")
    if occurred_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="occurred_at")
    if kind in BREACH_KINDS and breach not in Deviation.Breach.values:
        raise Refused("Say whether this could be a serious breach.", field="breach")
    if aware_at is not None and not occurred_at <= aware_at <= clock.now():
        raise Refused(
            "It became known after it happened, and not later than now.", field="aware_at"
        )
    return _write(
        study=study, participant=participant, kind=kind, what=what, subject=subject,
        occurred_at=occurred_at, found_by_system=False, aware_at=aware_at, breach=breach, actor=actor,
    )  # fmt: skip


@service
def deviation_found(
    *,
    study: Study,
    kind: str,
    what: str,
    occurred_at: datetime,
    participant: Participant | None = None,
    subject: str = "",
    actor: Actor,
) -> Deviation:
    """Write a deviation that the house found while `actor` did something.

    It asks for no capability: whoever did the thing, what went differently is on record.
    """
    require_study(actor, study.pk)
    return _write(
        study=study, participant=participant, kind=kind, what=what, subject=subject,
        occurred_at=occurred_at, found_by_system=True, actor=actor,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessed:
    """What a deviation means; `breach_why` is needed where it could have been a serious breach."""

    importance: str
    effect_person: str
    effect_data: str
    corrective: str
    touches: bool
    breach: bool
    breach_why: str = ""


@service
def deviation_assess(*, deviation: Deviation, assessed: Assessed, actor: Actor) -> Deviation:
    """Assess a deviation: its effect on the person and on the data, and what is changed. Added, never changed."""
    require(actor, Cap.DEVIATION_CLOSE)
    deviation = _lock_open(deviation, actor)
    if assessed.importance not in DeviationAssessment.Importance.values:
        raise Refused("Choose how important it is.", field="importance")
    texts = {
        name: said(getattr(assessed, name), field=name, ask="Say it in words; “none” is an answer.")
        for name in ("effect_person", "effect_data", "corrective")
    }
    why = assessed.breach_why.strip()
    if (deviation.kind in BREACH_KINDS or deviation.breach or assessed.breach) and not why:
        raise Refused("Say why it is a serious breach, or why not.", field="breach_why")
    assert actor.user_id is not None, "only people hold this capability"
    newest = deviation.assessments.filter(STANDS).first()
    DeviationAssessment.objects.create(
        deviation=deviation, importance=assessed.importance, touches=assessed.touches,
        breach=assessed.breach, breach_why=why[:2000], assessed_at=clock.now(),
        assessed_by_id=actor.user_id, supersedes=newest, **texts,
    )  # fmt: skip
    _note(
        actor, Action.DEVIATION_ASSESSED, deviation,
        {"importance": assessed.importance, "touches": assessed.touches, "breach": assessed.breach},
    )  # fmt: skip
    return deviation


@service
def deviation_explain(*, deviation: Deviation, explanation: str, actor: Actor) -> Deviation:
    """Explain a deviation; a second explanation is added below the first."""
    require(actor, Cap.DEVIATION_RECORD)
    deviation = _lock_open(deviation, actor)
    text = said(explanation, field="explanation", ask="Say how it came about and what was done.")
    return explanation_add(deviation=deviation, text=text, actor=actor)


def explanation_add(*, deviation: Deviation, text: str, actor: Actor) -> Deviation:
    """Add an explanation inside the caller's transaction; the deviation then waits for a second person."""
    before = deviation.explanation
    deviation.explanation = f"{before}\n\n{text}" if before else text
    deviation.state = Deviation.State.EXPLAINED
    deviation.explained_by_id, deviation.explained_at = actor.user_id, clock.now()
    deviation.save(update_fields=["explanation", "state", "explained_by", "explained_at"])
    _note(actor, Action.DEVIATION_EXPLAINED, deviation, {"explanation": text})
    return deviation


def deviation_close(*, deviation: Deviation, password: str, actor: Actor) -> Deviation:
    """Close an explained deviation by signature. Raises WrongPassword, or Refused for who explained it."""
    require(actor, Cap.DEVIATION_CLOSE)
    require_study(actor, deviation.study_id)
    user = check_password(
        actor=actor, password=password, subject_type="deviation", subject_code=deviation.uid
    )
    return _close(deviation=deviation, user=user, actor=actor)


@service
def _close(*, deviation: Deviation, user: User, actor: Actor) -> Deviation:
    deviation = _lock_open(deviation, actor)
    if deviation.state != Deviation.State.EXPLAINED:
        raise Refused("This deviation is not explained yet. It is explained first, then closed.")
    if user.pk in barred_from_closing(deviation):
        raise Refused(
            "You explained this deviation or recorded what it is about. Somebody else has to close it."
        )
    left = deviation_open_ends(deviation, clock.now())
    if left:
        raise RefusedWithReasons("This deviation cannot be closed yet.", left, code="open_ends")
    deviation.closing = signature_write(
        actor=actor,
        user=user,
        meaning=CLOSING,
        subject_type="deviation",
        subject_code=deviation.uid,
        content=signed_content(deviation),
        participant_code=deviation.participant.code if deviation.participant else "",
    )
    deviation.state, deviation.closed_at = Deviation.State.CLOSED, clock.now()
    deviation.save(update_fields=["closing", "state", "closed_at"])
    _note(actor, Action.DEVIATION_CLOSED, deviation, {})
    return deviation


def _lock_open(deviation: Deviation, actor: Actor) -> Deviation:
    require_study(actor, deviation.study_id)
    locked: Deviation = lock(Deviation, pk=deviation.pk)
    if locked.state == Deviation.State.CLOSED:
        raise Refused("This deviation is closed and stays as it was signed. Record a new one.")
    return locked


def _write(
    *,
    study: Study,
    participant: Participant | None,
    kind: str,
    what: str,
    subject: str,
    occurred_at: datetime,
    found_by_system: bool,
    aware_at: datetime | None = None,
    breach: str = "",
    actor: Actor,
) -> Deviation:
    if participant is not None and participant.study_id != study.pk:
        raise Refused("This volunteer is not in this study.", field="volunteer")
    deviation = Deviation.objects.create(
        study=study,
        participant=participant,
        kind=kind,
        what=said(what, field="what", ask="Say what went differently."),
        subject=subject.strip()[:120],
        found_by_system=found_by_system,
        occurred_at=occurred_at,
        aware_at=aware_at or clock.now(),
        breach=breach,
        recorded_at=clock.now(),
        recorded_by_id=actor.user_id,
    )
    _note(
        actor, Action.DEVIATION_RECORDED, deviation,
        {"kind": deviation.kind, "found_by_system": found_by_system, "breach": breach},
    )  # fmt: skip
    return deviation


def _note(actor: Actor, action: Action, deviation: Deviation, data: dict[str, Any]) -> None:
    audit(
        actor=actor,
        action=action,
        subject_type="deviation",
        subject_code=deviation.uid,
        participant_code=deviation.participant.code if deviation.participant else "",
        study_id=deviation.study_id,
        data=data,
    )

"""Deviations: recorded, explained, and closed by the signature of somebody else."""

from datetime import datetime
from typing import Any

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.selectors import barred_from_closing, signed_content
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
    actor: Actor,
) -> Deviation:
    """Record what went differently, as somebody saw it. `subject` names visit and step, when there is one."""
    require(actor, Cap.DEVIATION_RECORD)
    require_study(actor, study.pk)
    if kind not in Deviation.Kind.values:
        raise Refused("Choose what kind of deviation it is.", field="kind")
    if occurred_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="occurred_at")
    return _write(
        study=study, participant=participant, kind=kind, what=what, subject=subject,
        occurred_at=occurred_at, found_by_system=False, actor=actor,
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
        recorded_at=clock.now(),
        recorded_by_id=actor.user_id,
    )
    _note(
        actor, Action.DEVIATION_RECORDED, deviation,
        {"kind": deviation.kind, "found_by_system": found_by_system},
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

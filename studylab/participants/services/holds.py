"""Holds: opened by whoever sees a reason, released by a clinician's signature."""

from uuid import UUID

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Hold, Participant
from studylab.participants.services.checks import lock_participant, require_study, said
from studylab.participants.services.pauses import stopping_evaluate
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write

RELEASE = "I have looked at this hold and release it"


@service
def hold_open(
    *,
    participant: Participant,
    kind: str,
    reason: str,
    vital_set_uid: UUID | None = None,
    actor: Actor,
) -> Hold:
    """Put a volunteer on hold: until it is released no dose is given. `kind` is one of Hold.Kind."""
    require(actor, Cap.HOLD_OPEN)
    participant = lock_participant(participant, actor)
    if kind not in Hold.Kind.values:
        raise Refused("Choose what the hold is for.", field="kind")
    why = said(reason, field="reason", ask="Say why: the clinician has to decide by it.")
    return hold_begin(participant, kind, why, actor, vital_set_uid=vital_set_uid)


def hold_begin(
    participant: Participant,
    kind: str,
    reason: str,
    actor: Actor,
    *,
    vital_set_uid: UUID | None = None,
) -> Hold:
    """Open a hold inside a service's transaction that locked the volunteer and asked who acts."""
    hold = Hold.objects.create(
        participant=participant,
        kind=kind,
        reason=reason,
        opened_at=clock.now(),
        opened_by_id=actor.user_id,
        vital_set_uid=vital_set_uid,
    )
    audit(
        actor=actor,
        action=Action.HOLD_OPENED,
        subject_type="hold",
        subject_code=hold.uid,
        participant_code=participant.code,
        study_id=participant.study_id,
        reason=hold.reason,
        data={"kind": hold.kind},
    )
    stopping_evaluate(study=participant.study, actor=actor)
    return hold


def hold_release(*, hold: Hold, reason: str, password: str, actor: Actor) -> Hold:
    """Release a hold by a clinician's signature. Raises WrongPassword, Conflict when released meanwhile."""
    require(actor, Cap.HOLD_RELEASE)
    require_study(actor, hold.participant.study_id)
    user = check_password(
        actor=actor, password=password, subject_type="hold", subject_code=hold.uid
    )
    return _release(hold=hold, reason=reason, user=user, actor=actor)


@service
def _release(*, hold: Hold, reason: str, user: User, actor: Actor) -> Hold:
    participant = lock_participant(hold.participant, actor)
    hold = lock(Hold, pk=hold.pk)
    if hold.released_at is not None:
        raise Conflict("Somebody else released this hold meanwhile.")
    text = said(reason, field="reason", ask="Say why taking part may go on.")
    hold.release = signature_write(
        actor=actor,
        user=user,
        meaning=RELEASE,
        subject_type="hold",
        subject_code=hold.uid,
        content={
            "uid": str(hold.uid),
            "participant": participant.code,
            "kind": hold.kind,
            "reason": hold.reason,
            "opened_at": hold.opened_at.isoformat(),
            "vital_set": str(hold.vital_set_uid or ""),
            "release_reason": text,
        },
        participant_code=participant.code,
    )
    hold.released_at, hold.release_reason = clock.now(), text
    hold.save(update_fields=["release", "released_at", "release_reason"])
    audit(
        actor=actor,
        action=Action.HOLD_RELEASED,
        subject_type="hold",
        subject_code=hold.uid,
        participant_code=participant.code,
        reason=text,
    )
    return hold

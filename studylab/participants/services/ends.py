"""Leaving the path: screened out, withdrawn, lost to contact, completed."""

from uuid import UUID

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.end_hooks import end_hooks
from studylab.participants.models import Participant, VolunteerWord
from studylab.participants.services.checks import lock_participant, require_active, said
from studylab.participants.services.links import require_holder
from studylab.participants.services.wishes import Wishes, wish_record
from studylab.participants.services.words import Words, clean, word_keep

_Status = Participant.Status
_ACTIONS = {
    _Status.WITHDRAWN: Action.VOLUNTEER_WITHDRAWN,
    _Status.SCREENED_OUT: Action.VOLUNTEER_SCREENED_OUT,
    _Status.LOST: Action.VOLUNTEER_LOST,
}


@service
def participant_end(
    *,
    participant: Participant,
    status: str,
    reason: str,
    wishes: Wishes | None = None,
    actor: Actor,
) -> list[str]:
    """End somebody's way through the study; return what the other apps did about it, as sentences.

    `status` is "withdrawn", "screened_out" or "lost". Every registered end hook runs in the same
    transaction, the volunteer's row being locked. `wishes` is what the volunteer said may happen now. Raises Conflict when it has ended already.
    """
    require(actor, Cap.WITHDRAW)
    if status not in _ACTIONS:
        raise Refused("Choose what happened.", field="status")
    done = _leave(lock_participant(participant, actor), status, reason, actor)
    if wishes is not None:
        wish_record(participant=participant, wishes=wishes, actor=actor)
    return done


@service
def participant_withdraw_self(
    *, participant: Participant, text: str, key: UUID, actor: Actor
) -> VolunteerWord:
    """End the way of a volunteer who says so on their own page; no reason is asked for.

    What they write, if anything, is kept as their word, which somebody of the staff takes and answers.
    """
    require_holder(actor, participant)
    participant = lock_participant(participant, actor)
    found = VolunteerWord.objects.filter(key=key, participant=participant).first()
    if found is not None:
        return found
    _leave(participant, _Status.WITHDRAWN, "Withdrew on their own page.", actor)
    return word_keep(
        participant, VolunteerWord.Kind.WITHDREW, Words(clean(text)[:2000]), key, actor
    )


def _leave(participant: Participant, status: str, reason: str, actor: Actor) -> list[str]:
    if not participant.is_active:
        raise Conflict(
            f"{participant.code} is recorded as {participant.get_status_display()} already."
        )
    text = said(reason, field="reason", ask="Say why: an end on the path needs a reason.", most=300)
    done = []
    for hook in end_hooks():
        done += hook.carry_out(actor=actor, participant=participant, status=status, reason=text)
    _end(participant, status, text)
    audit(
        actor=actor,
        action=_ACTIONS[_Status(status)],
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        study_id=participant.study_id,
        reason=text,
        data={"consequences": done},
    )
    return done


def participant_withdraw(
    *, participant: Participant, reason: str, wishes: Wishes | None = None, actor: Actor
) -> list[str]:
    """Record that a volunteer withdrew or was withdrawn."""
    return participant_end(
        participant=participant,
        status=_Status.WITHDRAWN,
        reason=reason,
        wishes=wishes,
        actor=actor,
    )


def participant_screen_out(*, participant: Participant, reason: str, actor: Actor) -> list[str]:
    """Record a screen failure."""
    return participant_end(
        participant=participant, status=_Status.SCREENED_OUT, reason=reason, actor=actor
    )


def participant_lost(*, participant: Participant, reason: str, actor: Actor) -> list[str]:
    """Record that a volunteer cannot be reached any more."""
    return participant_end(participant=participant, status=_Status.LOST, reason=reason, actor=actor)


@service
def participant_complete(*, participant: Participant, actor: Actor) -> Participant:
    """Record that a volunteer came to the end of the path. Called when the last visit is done."""
    require(actor, Cap.VISIT_RUN)
    participant = lock_participant(participant, actor)
    require_active(participant)
    _end(participant, _Status.COMPLETED, "")
    audit(
        actor=actor,
        action=Action.VOLUNTEER_COMPLETED,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        study_id=participant.study_id,
    )
    return participant


def _end(participant: Participant, status: str, reason: str) -> None:
    participant.status, participant.status_reason = status, reason
    participant.status_at = clock.now()
    participant.save(update_fields=["status", "status_reason", "status_at"])

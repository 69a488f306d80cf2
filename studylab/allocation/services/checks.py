"""What the services of this app ask before they write, and what they note when they refuse."""

from datetime import datetime

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Deviation, Participant
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol


def require_study(actor: Actor, study_id: int) -> None:
    """Raise NotAllowed unless the actor acts in this study: roles of one study reach no other."""
    if not actor.is_system and actor.study_id != study_id:
        raise NotAllowed("You hold no role in this study.")


def person_of(actor: Actor) -> int:
    """Return the id of the person who acts; the house itself moves no kit and opens no code."""
    if actor.user_id is None:
        raise NotAllowed("A person does this, never the house by itself.")
    return actor.user_id


def lock_active(participant: Participant) -> Participant:
    """Return the volunteer locked for update; Refused when they are no longer on the path."""
    person: Participant = lock(Participant, pk=participant.pk)
    if not person.is_active:
        raise Refused(
            f"This volunteer is {person.get_status_display()}; nothing more is issued to them."
        )
    return person


def require_confirmed(protocol: CurrentProtocol) -> None:
    """Raise Refused while no clinician has confirmed the protocol version."""
    if not protocol.confirmed:
        raise Refused(
            "No protocol version is confirmed. A clinician confirms its limits on the set-up page first."
        )


def deviation_note(
    *,
    actor: Actor,
    study: Study,
    participant: Participant | None,
    kind: Deviation.Kind,
    what: str,
    subject: str,
    at: datetime | None = None,
) -> Deviation:
    """Write a deviation that the house found itself, inside the caller's transaction.

    Whoever did the thing need not be allowed to record deviations: it is recorded all the same.
    """
    now = clock.now()
    deviation = Deviation.objects.create(
        study=study,
        participant=participant,
        kind=kind,
        what=what,
        subject=subject,
        found_by_system=True,
        occurred_at=at or now,
        recorded_at=now,
        recorded_by_id=actor.user_id,
    )
    audit(
        actor=actor,
        action=Action.DEVIATION_RECORDED,
        subject_type="deviation",
        subject_code=deviation.uid,
        participant_code=participant.code if participant else "",
        study_id=study.pk,
        data={"kind": kind.value, "found_by_system": True},
    )
    return deviation

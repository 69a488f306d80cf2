"""Looking at contact details, and changing them."""

from dataclasses import fields

from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.rules.details import ContactDetails
from studylab.participants.selectors import contact_details, fresh_matches
from studylab.participants.services.checks import lock_participant, require_study
from studylab.participants.services.volunteers import (
    DuplicateDecision,
    check_details,
    contact_write,
    lock_identities,
    note_overruling,
    settle_duplicates,
)


@service
def contact_read(*, participant: Participant, actor: Actor) -> ContactDetails | None:
    """Return the contact details, or None once erased; who looked is on the trail."""
    require(actor, Cap.CONTACT_VIEW)
    require_study(actor, participant.study_id)
    details = contact_details(participant.person)
    audit(
        actor=actor,
        action=Action.CONTACT_READ,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
    )
    return details


@service
def contact_change(
    *,
    participant: Participant,
    details: ContactDetails,
    decision: DuplicateDecision | None = None,
    actor: Actor,
) -> list[str]:
    """Replace the contact details; return the names of the fields that changed.

    The trail says which fields changed, never from what to what. Raises DuplicateFound when the new details
    are those of somebody else who is known, unless `decision` says with a reason that they differ.
    """
    require(actor, Cap.VOLUNTEER_ADD)
    lock_identities()
    participant = lock_participant(participant, actor)
    before = contact_details(participant.person)
    if before is None:
        raise Refused("The contact details were erased at the volunteer's wish and stay erased.")
    check_details(details, participant.study)
    changed = [
        f.name for f in fields(details) if getattr(details, f.name) != getattr(before, f.name)
    ]
    if not changed:
        return []
    if decision is not None and decision.same_as is not None:
        raise Refused("Two volunteers are not made one here. Undo the change.", field="decision")
    matches = fresh_matches(participant.study, participant.person, before, details)
    settle_duplicates(matches, decision)
    contact_write(participant.person, details)
    audit(
        actor=actor,
        action=Action.CONTACT_CHANGED,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        data={"changed": changed},
    )
    if decision is not None:
        note_overruling(actor, participant, matches, decision)
    return changed

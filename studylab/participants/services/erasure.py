"""Erasing contact details for good: the record, the list and the trail stay, without the name."""

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, RefusedWithReasons
from studylab.participants.models import Contact, Participant
from studylab.participants.selectors.erasure import kept_because, would_break
from studylab.participants.services.checks import lock_participant, said
from studylab.participants.services.volunteers import lock_identities


@service
def contact_erase(*, participant: Participant, reason: str, actor: Actor) -> list[str]:
    """Erase a person's contact details; return what was still open with them.

    Refused with the reasons while they take part or a rule keeps the record. Keyed digests stay, so that somebody
    who was declined for safety is still recognised.
    """
    require(actor, Cap.VOLUNTEER_ADD)
    lock_identities()
    participant = lock_participant(participant, actor)
    contact: Contact = lock(Contact, person=participant.person_id)
    if contact.erased_at is not None:
        raise Conflict("The contact details were erased already.")
    why = said(
        reason, field="reason", ask="Say who asked for it, or that the time is over.", most=300
    )
    kept = kept_because(participant)
    if kept:
        raise RefusedWithReasons("The contact details are kept.", kept, code="kept")
    still_open = would_break(participant)
    contact.box, contact.erased_at, contact.changed_at = b"", clock.now(), clock.now()
    contact.save(update_fields=["box", "erased_at", "changed_at"])
    audit(
        actor=actor, action=Action.CONTACT_ERASED, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code, reason=why,
        data={"still_open": len(still_open)},
    )  # fmt: skip
    return still_open

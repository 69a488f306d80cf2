"""Issuing allocation numbers."""

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.blocks import stratum_name
from studylab.allocation.services.checks import lock_active, require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.studies.selectors import plan_of


@service
def entry_issue(
    *, participant: Participant, stratum_values: dict[str, str], actor: Actor
) -> ListEntry:
    """Issue the next number of the volunteer's stratum; it is theirs for ever.

    `stratum_values` maps each stratum's name to the volunteer's level, for example {"sex": "female"}. The
    database refuses a number before consent and a current eligible sign-off, and any number out of order.
    """
    require(actor, Cap.NUMBER_ISSUE)
    require_study(actor, participant.study_id)
    person = lock_active(participant)
    if ListEntry.objects.filter(participant=person).exists():
        raise Conflict("This volunteer has a number already.")
    try:
        sealed: AllocationList = lock(AllocationList, study_id=person.study_id)
    except AllocationList.DoesNotExist:
        raise Refused(
            "No number can be issued yet: the pharmacist has not sealed the list."
        ) from None
    try:
        stratum = stratum_name(plan_of(sealed.protocol_version).allocation, stratum_values)
    except ValueError as problem:
        raise Refused(str(problem)) from None
    waiting = sealed.entries.filter(stratum=stratum, participant=None)
    entry = waiting.order_by("position").first()
    if entry is None:
        raise Refused("No numbers are left. Ask the pharmacist.")
    entry.participant, entry.issued_at, entry.issued_by_id = person, clock.now(), actor.user_id
    entry.save(update_fields=["participant", "issued_at", "issued_by"])
    audit(
        actor=actor,
        action=Action.NUMBER_ISSUED,
        subject_type="allocation_number",
        subject_code=entry.number,
        participant_code=person.code,
    )
    return entry

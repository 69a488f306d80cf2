"""Issuing allocation numbers."""

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import next_minimised
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.design import list_of_person
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

    With minimisation the arm is settled now, from the sealed seed and the levels of everybody before.
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
        plan = plan_of(sealed.protocol_version).allocation
        stratum = list_of_person(plan, sealed.generator_version, stratum_values)
    except ValueError as problem:
        raise Refused(str(problem)) from None
    waiting = sealed.entries.filter(stratum=stratum, participant=None)
    entry = waiting.order_by("position").first()
    if entry is None:
        raise Refused("No numbers are left. Ask the pharmacist.")
    entry.participant, entry.issued_at, entry.issued_by_id = person, clock.now(), actor.user_id
    changed = ["participant", "issued_at", "issued_by"]
    if sealed.follows_people:
        _give_arm(entry, {name: stratum_values[name] for name in plan.strata})
        changed += ["box", "open_levels", "factor_levels"]
    entry.save(update_fields=changed)
    audit(
        actor=actor,
        action=Action.NUMBER_ISSUED,
        subject_type="allocation_number",
        subject_code=entry.number,
        participant_code=person.code,
    )
    return entry


@sensitive_variables()
def _give_arm(entry: ListEntry, levels: dict[str, str]) -> None:
    before = ListEntry.objects.filter(list_id=entry.list_id, participant__isnull=False)
    people = [*before.order_by("position").values_list("factor_levels", flat=True), levels]
    entry.factor_levels = levels
    entry.box, entry.open_levels = next_minimised(entry.list, people=people, number=entry.number)

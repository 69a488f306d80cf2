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
from studylab.db import service
from studylab.errors import Conflict, Refused, StudylabError
from studylab.participants.models import Participant
from studylab.studies.selectors import plan_of

# One statement finds and takes the next number, so that the list is locked for as short as can be.
_TAKE = """
    UPDATE allocation_listentry SET participant_id = %s, issued_at = %s, issued_by_id = %s
    WHERE id = (SELECT id FROM allocation_listentry
                WHERE list_id = %s AND stratum = %s AND participant_id IS NULL
                ORDER BY position LIMIT 1)
    RETURNING id, list_id, number, stratum, position, open_levels, factor_levels, participant_id,
        issued_at, issued_by_id"""


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
    # Never changes once sealed, so it is read before its turn; without its box, which is as long as the list.
    lists = AllocationList.objects.select_related("protocol_version").defer("box")
    sealed = lists.filter(study_id=person.study_id).first()
    if sealed is None:
        raise Refused("No number can be issued yet: the pharmacist has not sealed the list.")
    try:
        plan = plan_of(sealed.protocol_version).allocation
        stratum = list_of_person(plan, sealed.generator_version, stratum_values)
    except ValueError as problem:
        raise Refused(str(problem)) from None
    AllocationList.objects.select_for_update().values_list("pk").get(pk=sealed.pk)
    if sealed.follows_people:
        levels = {name: stratum_values[name] for name in plan.strata}
        entry = _take_minimised(sealed, person, levels, actor)
    else:
        entry = _take(sealed, person, stratum, actor)
    audit(
        actor=actor,
        action=Action.NUMBER_ISSUED,
        subject_type="allocation_number",
        subject_code=entry.number,
        participant_code=person.code,
    )
    return entry


def _take(sealed: AllocationList, person: Participant, stratum: str, actor: Actor) -> ListEntry:
    values = [person.pk, clock.now(), actor.user_id, sealed.pk, stratum]
    for entry in ListEntry.objects.raw(_TAKE, values):
        entry.list, entry.participant = sealed, person
        return entry
    raise _none_left(person)


@sensitive_variables()
def _take_minimised(
    sealed: AllocationList, person: Participant, levels: dict[str, str], actor: Actor
) -> ListEntry:
    entry = sealed.entries.filter(participant=None).order_by("position").first()
    if entry is None:
        raise _none_left(person)
    before = sealed.entries.filter(participant__isnull=False).order_by("position")
    people = [*before.values_list("factor_levels", flat=True), levels]
    entry.box, entry.open_levels = next_minimised(sealed, people=people, number=entry.number)
    entry.factor_levels, entry.participant = levels, person
    entry.issued_at, entry.issued_by_id = clock.now(), actor.user_id
    entry.save()
    return entry


def _none_left(person: Participant) -> StudylabError:
    if ListEntry.objects.filter(participant=person).exists():
        return Conflict("This volunteer has a number already.")
    return Refused("No numbers are left. Ask the pharmacist.")

"""Issuing allocation numbers."""

import json
from dataclasses import dataclass
from typing import Any

from django.db import connection
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import next_minimised
from studylab.allocation.holds import issue_held
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.design import list_of_person
from studylab.allocation.services.checks import require_study
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.services import audit_in_statement, audit_many, event_row
from studylab.db import service
from studylab.errors import Conflict, Refused, StudylabError
from studylab.participants.models import Participant
from studylab.participants.services.checks import require_active
from studylab.studies.rules.protocol import AllocationPlan
from studylab.studies.selectors import plan_by_hash

# Two statements, one to lock and know and one to find and take, so that the list is locked for as short as can be.
_LOCK = """
    SELECT p.code, p.status, l.id, l.generator_version, l.protocol_version_id, v.sha256
    FROM participants_participant p
    JOIN allocation_allocationlist l ON l.study_id = p.study_id
    JOIN studies_protocolversion v ON v.id = l.protocol_version_id
    WHERE p.id = %s FOR UPDATE OF p, l"""
_TAKE = """
    WITH taken AS (
    UPDATE allocation_listentry SET participant_id = %s, issued_at = %s, issued_by_id = %s
    WHERE id = (SELECT id FROM allocation_listentry
                WHERE list_id = %s AND stratum = %s AND participant_id IS NULL
                ORDER BY position LIMIT 1)
    RETURNING id, number AS subject_code, position, open_levels),
    noted AS ({note})
    SELECT * FROM taken"""


@dataclass(frozen=True, slots=True)
class _Turn:
    """The volunteer and the list, both locked."""

    person: Participant
    list_id: int
    method: str
    plan: AllocationPlan


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
    if why := issue_held(participant.study_id):
        raise Refused(why)
    turn = _turn(participant)
    try:
        stratum = list_of_person(turn.plan, turn.method, stratum_values)
    except ValueError as problem:
        raise Refused(str(problem)) from None
    if turn.method.startswith("minimisation/"):
        levels = {name: stratum_values[name] for name in turn.plan.strata}
        return _take_minimised(turn, levels, actor)
    return _take(turn, stratum, actor)


def _event(turn: _Turn, number: str, actor: Actor) -> Event:
    return event_row(
        actor=actor, action=Action.NUMBER_ISSUED, subject_type="allocation_number",
        subject_code=number, participant_code=turn.person.code,
    )  # fmt: skip


def _turn(participant: Participant) -> _Turn:
    with connection.cursor() as cursor:
        cursor.execute(_LOCK, [participant.pk])
        row = cursor.fetchone()
    if row is None:
        raise Refused("No number can be issued yet: the pharmacist has not sealed the list.")
    code, status, list_id, method, version_id, sha256 = row
    person = Participant(pk=participant.pk, study_id=participant.study_id, code=code, status=status)
    require_active(person)
    plan = plan_by_hash(sha256, version_id=version_id).allocation
    return _Turn(participant, list_id, method, plan)


def _take(turn: _Turn, stratum: str, actor: Actor) -> ListEntry:
    now = clock.now()
    note, noted = audit_in_statement(_event(turn, "", actor), rows="taken")
    values: list[Any] = [turn.person.pk, now, actor.user_id, turn.list_id, stratum]
    with connection.cursor() as cursor:
        cursor.execute(_TAKE.format(note=note), [*values, *noted])
        row = cursor.fetchone()
    if row is None:
        raise _none_left(turn.person)
    pk, number, position, levels = row
    return ListEntry(
        pk=pk, list_id=turn.list_id, number=number, stratum=stratum, position=position,
        open_levels=json.loads(levels) if isinstance(levels, str) else levels,
        participant=turn.person, issued_at=now, issued_by_id=actor.user_id,
    )  # fmt: skip


@sensitive_variables()
def _take_minimised(turn: _Turn, levels: dict[str, str], actor: Actor) -> ListEntry:
    sealed = AllocationList.objects.select_related("study", "protocol_version").get(pk=turn.list_id)
    entry = sealed.entries.filter(participant=None).order_by("position").first()
    if entry is None:
        raise _none_left(turn.person)
    before = sealed.entries.filter(participant__isnull=False).order_by("position")
    people = [*before.values_list("factor_levels", flat=True), levels]
    entry.box, entry.open_levels = next_minimised(sealed, people=people, number=entry.number)
    entry.factor_levels, entry.participant = levels, turn.person
    entry.issued_at, entry.issued_by_id = clock.now(), actor.user_id
    entry.save()
    audit_many([_event(turn, entry.number, actor)])
    return entry


def _none_left(person: Participant) -> StudylabError:
    if ListEntry.objects.filter(participant=person).exists():
        return Conflict("This volunteer has a number already.")
    return Refused("No numbers are left. Ask the pharmacist.")

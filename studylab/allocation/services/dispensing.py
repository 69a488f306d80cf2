"""Matching a kit to a number, handing it out, and recording it as given."""

import secrets
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import QuerySet
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.due import due_between
from studylab.allocation.gates import arm_of_batch, arm_to_prepare
from studylab.allocation.models import (
    AllocationList,
    Kit,
    KitBatch,
    KitMovement,
    ListEntry,
    Reveal,
)
from studylab.allocation.services.checks import lock_active, require_study
from studylab.allocation.services.moves import lock_kit, move
from studylab.allocation.services.seconds import second_person
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.codes import explain, normalise
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.services.deviations import deviation_found
from studylab.people.models import User
from studylab.people.selectors import today_in
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

MOST_AHEAD = 50
PLANNED_WITHIN = timedelta(days=200)
_OUT = [Kit.State.PREPARED, Kit.State.DISPENSED, Kit.State.GIVEN]


@service
def kit_prepare(*, participant: Participant, actor: Actor) -> Kit:
    """Match a kit in stock to the volunteer's number: the earliest date first, among those at random.

    The choice is the house's, never a person's. Conflict when a kit was prepared already, Refused when no
    usable kit fits.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, participant.study_id)
    person = lock_active(participant)
    _refuse_after_opening(person)
    entry = _number_of(person)
    if entry.kits.filter(state__in=_OUT).exists():
        raise Conflict("A kit was prepared for this number already.")
    kit = _fitting_kit(entry, actor)
    move(kit, KitMovement.What.PREPARE, actor=actor, participant_code=person.code, entry=entry)
    return kit


@service
def containers_prepare(*, study: Study, count: int, actor: Actor) -> list[Kit]:
    """Prepare containers for the next `count` numbers that have none, before they are issued.

    Only where the protocol supplies by number and the list was made in advance; all of them or none.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, study.pk)
    if current_protocol(study).plan.supply.way != "number":
        raise Refused("In this study a kit is matched when a number was issued (supply.way).")
    if not 1 <= count <= MOST_AHEAD:
        raise Refused(f"Prepare 1 to {MOST_AHEAD} containers at a time.", field="count")
    try:
        sealed: AllocationList = lock(AllocationList, study=study)
    except AllocationList.DoesNotExist:
        raise Refused("The list is not sealed yet.") from None
    if sealed.follows_people:
        raise Refused("With minimisation an arm is settled only when a number is issued.")
    waiting = sealed.entries.filter(participant=None).exclude(kits__state__in=_OUT)
    entries = list(waiting.order_by("position", "stratum")[:count])
    if len(entries) < count:
        raise Refused(f"Only {len(entries)} numbers have no container yet.", field="count")
    made = []
    for entry in entries:
        kit = _fitting_kit(entry, actor)
        move(kit, KitMovement.What.PREPARE, actor=actor, entry=entry)
        made.append(kit)
    return made


def _number_of(person: Participant) -> ListEntry:
    try:
        entry: ListEntry = lock(ListEntry, participant=person)
    except ListEntry.DoesNotExist:
        raise Refused("This volunteer has no allocation number yet.") from None
    return entry


def _refuse_after_opening(person: Participant) -> None:
    # The words tell nobody why: that a code was opened is for those who are told.
    if Reveal.objects.filter(participant=person).exists():
        raise Refused(
            "No kit is prepared, handed out or given for this volunteer any more. "
            "Ask the supervising physician."
        )


@sensitive_variables()
def _fitting_kit(entry: ListEntry, actor: Actor) -> Kit:
    wanted = arm_to_prepare(entry, actor=actor)
    study = entry.list.study
    usable = KitBatch.objects.filter(study=study, usable_until__gte=today_in(study.timezone))
    fitting = [
        batch
        for batch in usable.order_by("usable_until").prefetch_related("checks")
        if batch.identified
        and arm_of_batch(batch, version=entry.list.protocol_version, actor=actor).key == wanted.key
    ]
    for until in sorted({batch.usable_until for batch in fitting}):
        same_date = [batch.pk for batch in fitting if batch.usable_until == until]
        kit = _any_of(Kit.objects.filter(batch__in=same_date, state=Kit.State.IN_STOCK))
        if kit is not None:
            return kit
    raise Refused(
        "No usable kit for this number is in stock, from a batch whose identity two people have checked. "
        "Receive kits and check them first."
    )


def _any_of(kits: "QuerySet[Kit]") -> Kit | None:
    # All are locked, in one order: passing over kits that somebody else looks at would call a full shelf empty.
    free = list(kits.select_for_update(of=("self",)).order_by("number"))
    return secrets.choice(free) if free else None


@sensitive_variables("second_password")
def kit_dispense(
    *,
    participant: Participant,
    kit_number: str,
    second_email: str,
    second_password: str,
    visit_uid: UUID | None,
    actor: Actor,
) -> Kit:
    """Hand out the kit that was prepared for this volunteer, read from its container, checked by two.

    `kit_number` is what was scanned or typed. A kit that is not the one prepared is refused, and the refusal
    stays on record whatever follows. The second person is any other member of the study, who enters their
    own password.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, participant.study_id)
    number = _right_kit(participant, kit_number, actor)
    second = second_person(
        study=participant.study, email=second_email, password=second_password, actor=actor,
        subject_type="kit_check", subject_code=participant.code,
    )  # fmt: skip
    return _kit_dispense(
        participant=participant, number=number, second=second, visit_uid=visit_uid, actor=actor
    )


def _right_kit(participant: Participant, typed: str, actor: Actor) -> str:
    why = explain(typed, "kit")
    if why:
        _note_wrong_kit(participant=participant, number="", why="unreadable", actor=actor)
        raise Refused(why, field="kit_number", code="kit_unreadable")
    number = normalise(typed)
    prepared = Kit.objects.filter(entry__participant=participant, state=Kit.State.PREPARED).first()
    if prepared is None:
        raise Refused("No kit is prepared for this volunteer. Prepare one first.")
    if prepared.number == number:
        return number
    _note_wrong_kit(participant=participant, number=number, why="not the one prepared", actor=actor)
    raise Refused(
        f"Kit {number} is not the one prepared for this volunteer. Put it back and look for the kit "
        "with the volunteer's number on its label.",
        field="kit_number",
        code="kit_wrong",
    )


@service
def _note_wrong_kit(*, participant: Participant, number: str, why: str, actor: Actor) -> None:
    """Record the refusal in a transaction of its own. A misread number is on the trail only."""
    audit(
        actor=actor,
        action=Action.KIT_REFUSED,
        subject_type="kit",
        subject_code=number or "unreadable",
        participant_code=participant.code,
        data={"stage": "handing out", "why": why},
    )
    if number:
        deviation_found(
            actor=actor,
            study=participant.study,
            participant=participant,
            kind=Deviation.Kind.KIT,
            what=f"Near miss at handing out: kit {number} was read, which is not the one prepared for "
            "this volunteer. It was refused.",
            subject=f"kit {number}",
            occurred_at=clock.now(),
        )


@service
def _kit_dispense(
    *, participant: Participant, number: str, second: User, visit_uid: UUID | None, actor: Actor
) -> Kit:
    person = lock_active(participant)
    _refuse_after_opening(person)
    visit_uid = _visit_of_today(person, visit_uid)
    found = Kit.objects.filter(
        entry__participant=person, study_id=person.study_id, number=number
    ).first()
    if found is None:
        raise Conflict("This kit was put aside meanwhile. Prepare another one.")
    kit = lock_kit(found)
    move(
        kit,
        KitMovement.What.DISPENSE,
        actor=actor,
        participant_code=person.code,
        second=second,
        visit_uid=visit_uid,
    )
    return kit


def _visit_of_today(person: Participant, said: UUID | None) -> UUID | None:
    """Return the volunteer's dosing visit of today; Refused when it is planned for another day.

    Somebody of whom no planned dose is known keeps what was said: the dose gate asks for the visit anyway.
    """
    now, study = clock.now(), person.study
    planned = [
        due
        for due in due_between(study, now - PLANNED_WITHIN, now + PLANNED_WITHIN)
        if due.participant_id == person.pk
    ]
    today = today_in(study.timezone)
    for due in planned:
        if due.at.astimezone(study.zone).date() == today:
            return due.visit_uid
    if planned:
        day = planned[-1].at.astimezone(study.zone)
        raise Refused(
            f"The dosing visit of {person.code} is planned for {day:%A %-d %B %Y}, not for today. Keep the kit "
            "in the dispensary until then.",
            code="kit_other_day",
        )
    return said


@service
def kit_given(
    *,
    kit: Kit,
    participant: Participant,
    second: User,
    visit_uid: UUID,
    at: datetime,
    actor: Actor,
) -> KitMovement:
    """Record that the handed-out kit was given at `at`, seen by `second`. Called with the dose's own record."""
    require(actor, Cap.VISIT_RUN)
    require_study(actor, participant.study_id)
    locked = lock_kit(kit)
    entry = locked.entry
    if entry is None or entry.participant_id != participant.pk:
        raise Refused(f"Kit {locked.number} was not prepared for this volunteer.")
    if Reveal.objects.filter(participant=participant, at__lt=at).exists():
        _refuse_after_opening(participant)
    return move(
        locked,
        KitMovement.What.GIVE,
        actor=actor,
        participant_code=participant.code,
        second=second,
        visit_uid=visit_uid,
        at=at,
    )

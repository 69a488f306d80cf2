"""What is done with whole batches: their identity checked, warm days decided, kits counted and put aside."""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal

from django.db.models import Q
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import (
    BatchCheck,
    Excursion,
    Kit,
    KitBatch,
    KitMovement,
)
from studylab.allocation.rules.kit_states import possible
from studylab.allocation.services.checks import person_of, require_study
from studylab.allocation.services.moves import lock_kit, move
from studylab.allocation.services.seconds import second_person
from studylab.allocation.services.stock import check_words
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

IDENTITY = "I have looked at retained units of this batch and record what they are"
DECISION = "I decide about the kits that were outside their storage temperature"


@sensitive_variables("password", "second_password")
def batch_check(
    *,
    batch: KitBatch,
    agrees: bool,
    units: int,
    how: str,
    second_email: str,
    second_password: str,
    password: str,
    actor: Actor,
) -> BatchCheck:
    """Record by two pharmacists whether retained units of a batch are what its papers say.

    Until a batch agrees none of its kits is prepared; one that does not agree is put aside whole.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, batch.study_id)
    check_words(current_protocol(batch.study).plan, how=how)
    code = str(batch.uid)
    second = second_person(
        study=batch.study, email=second_email, password=second_password, actor=actor,
        subject_type="kit_batch", subject_code=code, unblinded=True,
    )  # fmt: skip
    user = check_password(
        actor=actor, password=password, subject_type="kit_batch", subject_code=code
    )
    return _batch_check(
        batch=batch,
        agrees=agrees,
        units=units,
        how=how.strip(),
        second=second,
        user=user,
        actor=actor,
    )


@service
def _batch_check(
    *,
    batch: KitBatch,
    agrees: bool,
    units: int,
    how: str,
    second: User,
    user: User,
    actor: Actor,
) -> BatchCheck:
    lock(KitBatch, pk=batch.pk)
    signature = signature_write(
        actor=actor,
        user=user,
        meaning=IDENTITY,
        subject_type="kit_batch",
        subject_code=batch.uid,
        content={"batch": str(batch.uid), "agrees": agrees, "units": units, "second": second.name},
    )
    made = BatchCheck.objects.create(
        batch=batch, agrees=agrees, units=units, how=how, at=clock.now(), by=user, second=second,
        signature=signature,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.BATCH_CHECKED, subject_type="kit_batch", subject_code=batch.uid,
        data={"second_person": second.name},
    )  # fmt: skip
    if not agrees:
        _put_aside(batch.kits.all(), "The identity check does not agree with the papers.", actor)
    return made


def _put_aside(
    kits: Iterable[Kit], reason: str, actor: Actor, excursion: Excursion | None = None
) -> int:
    put = 0
    for one in kits:
        kit = lock_kit(one)
        if "quarantine" not in possible(kit.state):
            continue
        person = kit.entry.participant if kit.entry else None
        move(
            kit,
            KitMovement.What.QUARANTINE,
            actor=actor,
            participant_code=person.code if person else "",
            reason=reason,
            excursion=excursion,
        )
        put += 1
    return put


@service
def excursion_record(
    *,
    study: Study,
    batches: Iterable[KitBatch],
    began_at: datetime,
    ended_at: datetime,
    lowest: Decimal,
    highest: Decimal,
    note: str,
    actor: Actor,
) -> Excursion:
    """Record that kits were too warm or too cold; their kits go into quarantine.

    So do all prepared kits, whatever their batch.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, study.pk)
    check_words(current_protocol(study).plan, note=note)
    chosen = list(batches)
    if not chosen:
        raise Refused("Choose the batches that were affected.", field="batches")
    if any(batch.study_id != study.pk for batch in chosen):
        raise Refused("A batch of another study was chosen.", field="batches")
    if ended_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="ended_at")
    if began_at > ended_at:
        raise Refused("The end is before the beginning.", field="ended_at")
    if lowest > highest:
        raise Refused("The highest temperature is below the lowest.", field="highest")
    made = Excursion.objects.create(
        study=study, began_at=began_at, ended_at=ended_at, lowest=lowest, highest=highest,
        note=note.strip(), recorded_at=clock.now(), by_id=person_of(actor),
    )  # fmt: skip
    # All prepared kits whatever their batch: whose kit is put aside would tell staff who shares a batch.
    warm = Q(batch__in=chosen, state=Kit.State.IN_STOCK) | Q(study=study, state=Kit.State.PREPARED)
    kits = Kit.objects.filter(warm).order_by("number")
    if not _put_aside(kits, "Outside the storage temperature.", actor, made):
        raise Refused("None of these batches has a kit in the dispensary.", field="batches")
    # Neither batches nor how many: readers of the trail could tell heaps apart by them.
    audit(
        actor=actor,
        action=Action.EXCURSION_RECORDED,
        subject_type="excursion",
        subject_code=made.uid,
    )
    return made


@sensitive_variables("password")
def excursion_decide(
    *, excursion: Excursion, decision: str, reason: str, password: str, actor: Actor
) -> Excursion:
    """Decide by signature whether the kits of an excursion may be used: release or destroy every one of them."""
    require(actor, Cap.DISPENSE)
    require_study(actor, excursion.study_id)
    check_words(current_protocol(excursion.study).plan, reason=reason)
    if decision not in Excursion.Decision.values:
        raise Refused("Choose whether the kits are usable.", field="decision")
    user = check_password(
        actor=actor, password=password, subject_type="excursion", subject_code=excursion.uid
    )
    return _excursion_decide(
        excursion=excursion, decision=decision, reason=reason.strip(), user=user, actor=actor
    )


@service
def _excursion_decide(
    *, excursion: Excursion, decision: str, reason: str, user: User, actor: Actor
) -> Excursion:
    row: Excursion = lock(Excursion, pk=excursion.pk)
    if row.decision:
        raise Conflict("The decision was taken already.")
    row.deciding = signature_write(
        actor=actor, user=user, meaning=DECISION, subject_type="excursion", subject_code=row.uid,
        content={"excursion": str(row.uid), "decision": decision, "reason": reason},
    )  # fmt: skip
    row.decision, row.reason, row.decided_at = decision, reason, clock.now()
    row.save(update_fields=["decision", "reason", "decided_at", "deciding"])
    what = KitMovement.What.RELEASE if decision == "usable" else KitMovement.What.DESTROY
    for one in waiting_kits(row):
        kit = lock_kit(one)
        if kit.state == Kit.State.QUARANTINED:
            move(kit, what, actor=actor, reason=reason, excursion=row)
    audit(
        actor=actor, action=Action.EXCURSION_DECIDED, subject_type="excursion", subject_code=row.uid
    )
    return row


def waiting_kits(excursion: Excursion) -> list[Kit]:
    """Return the kits that this excursion put into quarantine and nothing has moved since."""
    kits = Kit.objects.filter(
        state=Kit.State.QUARANTINED, movements__excursion=excursion, movements__what="quarantine"
    )
    return [
        kit
        for kit in kits.distinct().order_by("number")
        if kit.movements.order_by("-id").values_list("excursion_id", flat=True)[0] == excursion.pk
    ]


@sensitive_variables("second_password")
def kit_sight(
    *,
    kit: Kit,
    found: bool,
    reason: str,
    second_email: str,
    second_password: str,
    actor: Actor,
) -> KitMovement:
    """Record by two people that a kit cannot be found, or turned up again (then it waits in quarantine)."""
    require(actor, Cap.DISPENSE)
    require_study(actor, kit.study_id)
    check_words(current_protocol(kit.study).plan, reason=reason)
    second = second_person(
        study=kit.study, email=second_email, password=second_password, actor=actor,
        subject_type="kit_check", subject_code=kit.number,
    )  # fmt: skip
    what = KitMovement.What.FIND if found else KitMovement.What.LOSE
    return _kit_sight(kit=kit, what=what, reason=reason.strip(), second=second, actor=actor)


@service
def _kit_sight(
    *, kit: Kit, what: KitMovement.What, reason: str, second: User, actor: Actor
) -> KitMovement:
    locked = lock_kit(kit)
    person = locked.entry.participant if locked.entry else None
    return move(
        locked, what, actor=actor, participant_code=person.code if person else "",
        reason=reason, second=second,
    )  # fmt: skip

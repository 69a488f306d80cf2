"""Kits coming in, and kits put aside, taken back or destroyed."""

import secrets
from datetime import date
from decimal import Decimal

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import seal_batch
from studylab.allocation.models import Kit, KitBatch, KitMovement
from studylab.allocation.rules.wording import names_an_arm
from studylab.allocation.services.checks import person_of, require_study
from studylab.allocation.services.moves import lock_kit, move
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.codes import kit_number
from studylab.db import service
from studylab.errors import Refused
from studylab.people.selectors import today_in
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol, Supply
from studylab.studies.selectors import current_protocol

MOST_KITS = 500


@service
@sensitive_variables("arm_key")
def kits_receive(
    *,
    study: Study,
    arm_key: str,
    label: str,
    usable_until: date,
    storage: str,
    form: str,
    strength_mg: Decimal,
    units_per_kit: int,
    quantity: int,
    actor: Actor,
) -> KitBatch:
    """Receive 1 to 500 kits of one kind. Form, strength and count must be the protocol's own, exactly.

    Another form, strength or count is another product: it needs a new protocol version. Which kind the batch holds
    is sealed. Kit numbers are drawn at random, whatever the batch.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, study.pk)
    plan = current_protocol(study).plan
    check_words(plan, label=label, storage=storage)
    _check_product(plan.supply, form, strength_mg, units_per_kit)
    _check_batch(plan, arm_key, usable_until, quantity, today=today_in(study.timezone))
    batch = KitBatch(
        study=study,
        label=label.strip(),
        usable_until=usable_until,
        storage=storage.strip(),
        form=plan.supply.form[:200],
        strength_mg=strength_mg,
        units_per_kit=units_per_kit,
        received_at=clock.now(),
        received_by_id=person_of(actor),
    )
    batch.box = seal_batch(arm_key, batch=batch)
    batch.save(force_insert=True)
    _take_in(batch, quantity)
    # Neither batch number nor quantity: readers of the trail could tell heaps apart by them.
    audit(
        actor=actor, action=Action.KITS_RECEIVED, subject_type="kit_batch", subject_code=batch.uid
    )
    return batch


def _take_in(batch: KitBatch, quantity: int) -> None:
    kits = Kit.objects.bulk_create(
        Kit(study=batch.study, batch=batch, number=number) for number in _new_numbers(quantity)
    )
    at, by = batch.received_at, batch.received_by_id
    KitMovement.objects.bulk_create(
        KitMovement(kit=kit, what=KitMovement.What.RECEIVE, at=at, recorded_at=at, by_id=by)
        for kit in kits
    )


def check_words(plan: Protocol, **texts: str) -> None:
    """Refuse empty texts and words that could tell arms apart; each is named by its field."""
    for field, text in texts.items():
        if not text.strip():
            raise Refused("Fill this in.", field=field)
        word = names_an_arm(text, plan.allocation.arms)
        if word:
            raise Refused(
                f"“{word}” could tell what the kits hold. Use words that fit every kit of the study.",
                field=field,
            )


def _check_product(supply: Supply, form: str, strength_mg: Decimal, units: int) -> None:
    if form.split() != supply.form.split():
        raise Refused(
            f"The protocol names {supply.form}. Another form is another product: receiving it needs a new "
            "protocol version.",
            field="form",
        )
    wanted = Decimal(str(supply.strength_mg))
    if strength_mg != wanted or units != supply.count:
        field = "strength_mg" if strength_mg != wanted else "units_per_kit"
        raise Refused(
            f"The protocol's dose is {supply.count} × {wanted:f} mg. {units} × {strength_mg:f} mg is "
            "another product: receiving it needs a new protocol version.",
            field=field,
        )


def _check_batch(
    plan: Protocol, arm_key: str, usable_until: date, quantity: int, *, today: date
) -> None:
    if arm_key not in {arm.key for arm in plan.allocation.arms}:
        raise Refused("Choose what these kits hold.", field="arm_key")
    if usable_until < today:
        raise Refused(
            "These kits are past their date already. Check the date.", field="usable_until"
        )
    if not 1 <= quantity <= MOST_KITS:
        raise Refused(f"Receive 1 to {MOST_KITS} kits at a time, not {quantity}.", field="quantity")


def _new_numbers(quantity: int) -> list[str]:
    """Return fresh kit numbers in random order; none is in use in any study of this site."""
    numbers: dict[str, None] = {}
    while len(numbers) < quantity:
        missing = quantity - len(numbers)
        drawn = {kit_number(secrets.randbelow): None for _ in range(missing)}
        used = set(Kit.objects.filter(number__in=drawn).values_list("number", flat=True))
        numbers |= {number: None for number in drawn if number not in used}
    return list(numbers)


def _put(kit: Kit, what: KitMovement.What, reason: str, actor: Actor) -> KitMovement:
    require(actor, Cap.DISPENSE)
    require_study(actor, kit.study_id)
    plan = current_protocol(kit.study).plan
    reason = reason.strip()
    check_words(plan, reason=reason)
    locked = lock_kit(kit)
    code = locked.entry.participant.code if locked.entry and locked.entry.participant else ""
    return move(locked, what, actor=actor, participant_code=code, reason=reason)


@service
def kit_quarantine(*, kit: Kit, reason: str, actor: Actor) -> KitMovement:
    """Put a kit aside until the pharmacist decides; it cannot be prepared, handed out or given."""
    return _put(kit, KitMovement.What.QUARANTINE, reason, actor)


@service
def kit_release(*, kit: Kit, reason: str, actor: Actor) -> KitMovement:
    """Release a kit from quarantine into stock, free for any number. Refused once it left the dispensary."""
    return _put(kit, KitMovement.What.RELEASE, reason, actor)


@service
def kit_return(*, kit: Kit, reason: str, actor: Actor) -> KitMovement:
    """Take back a kit that was prepared or handed out and not given. It is not used again."""
    return _put(kit, KitMovement.What.RETURN, reason, actor)


@service
def kit_transfer(*, kit: Kit, reason: str, actor: Actor) -> KitMovement:
    """Record that a kit left for another dispensary; the reason says where. It does not come back."""
    return _put(kit, KitMovement.What.TRANSFER, reason, actor)


@service
def kit_destroy(*, kit: Kit, reason: str, actor: Actor) -> KitMovement:
    """Record that a kit was destroyed."""
    return _put(kit, KitMovement.What.DESTROY, reason, actor)

"""The gates: the only functions that seal or open an arm. Nothing else in the house holds the key.

Each gate asks who wants to know and why. What leaves a gate is never written, logged or put into an error:
errors are raised here without their cause, and objects that hold an arm hide it from their repr.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import pgtrigger
from django.conf import settings
from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.allocation.models import (
    AllocationList,
    CodeCard,
    KitBatch,
    ListEntry,
    ListOpening,
    Reveal,
)
from studylab.allocation.rules.design import followed_list
from studylab.allocation.rules.sealed_list import OpenedList, pack, unpack
from studylab.allocation.rules.sealing import (
    SealDamaged,
    SealedWithAnotherKey,
    key_id,
    seal,
    seal_text,
    unseal,
    unseal_text,
)
from studylab.errors import Refused
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.selectors import plan_of


@dataclass(frozen=True, slots=True)
class KnownArm:
    """An arm on its way to somebody who may know it."""

    key: str = field(repr=False)
    name: str = field(repr=False)


class CannotOpen(Refused):
    """A sealed value does not open. What is wrong is said, what was in it never."""


def sealing_key() -> bytes:
    """Return the allocation key; Refused when the site has none."""
    key: bytes | None = settings.ALLOCATION_KEY
    if not key:
        raise Refused(
            "This site has no allocation key, so nothing can be sealed. "
            "Whoever runs the site sets STUDYLAB_ALLOCATION_KEY."
        )
    return key


def mark_of_key() -> str:
    """Return a short public mark that changes with the key and tells nothing about it; "" without a key."""
    key: bytes | None = settings.ALLOCATION_KEY
    return key_id(key) if key else ""


def _entry_place(study_slug: str, number: str) -> str:
    return f"{study_slug}|entry|{number}"


def _batch_place(batch: KitBatch) -> str:
    return f"{batch.study.slug}|batch|{batch.uid}"


@sensitive_variables()
def next_minimised(
    sealed: AllocationList, *, people: Sequence[dict[str, str]], number: str
) -> tuple[bytes, dict[str, str]]:
    """Return the sealed box and the open levels of the next number of a minimised list.

    `people` are the levels of everybody with a number in its order, the newcomer last. The arm is worked out
    from the sealed seed and sealed again before anything is returned.
    """
    opened = list_to_verify(sealed)
    plan = plan_of(sealed.protocol_version).allocation
    rows = followed_list(plan=plan, design=opened.design, seed=opened.seed, people=tuple(people))
    return seal_entry(rows[-1].arm, study=sealed.study, number=number), dict(rows[-1].open_levels)


def seal_list(opened: OpenedList, *, study: Study) -> bytes:
    """Return the sealed box of a whole list."""
    return seal(pack(opened), key=sealing_key(), context=f"{study.slug}|list")


def seal_entry(arm_key: str, *, study: Study, number: str) -> bytes:
    """Return the sealed box of one number, of one length for every arm."""
    return seal_text(arm_key, key=sealing_key(), context=_entry_place(study.slug, number))


def seal_batch(arm_key: str, *, batch: KitBatch) -> bytes:
    """Return the sealed box of a batch, of one length for every arm."""
    return seal_text(arm_key, key=sealing_key(), context=_batch_place(batch))


@sensitive_variables()
def _open(box: bytes | memoryview, place: str, what: str) -> str:
    try:
        return unseal_text(bytes(box), key=sealing_key(), context=place)
    except SealedWithAnotherKey:
        raise CannotOpen(f"{what} was sealed with another key than this site has.") from None
    except SealDamaged:
        raise CannotOpen(
            f"{what} does not open: it was changed or belongs to another place."
        ) from None


@sensitive_variables()
def _named(version: ProtocolVersion, key: str) -> KnownArm:
    for arm in plan_of(version).allocation.arms:
        if arm.key == key:
            return KnownArm(key, arm.name)
    raise CannotOpen("What was opened is not in this study's protocol.")


@sensitive_variables()
def arm_of(reveal: Reveal, *, actor: Actor) -> KnownArm:
    """Return the arm of the one person whose code was opened by `reveal`, to the clinician who opened it.

    The reveal is read again from the database: a row that was never written opens nothing.
    """
    require(actor, Cap.CODE_OPEN)
    if actor.study_id is None:
        raise CannotOpen("Codes are opened by a clinician of the study.")
    written = (
        Reveal.objects.select_related("entry__list__study", "entry__list__protocol_version")
        .filter(uid=reveal.uid, by_id=actor.user_id, participant__study_id=actor.study_id)
        .first()
    )
    if written is None or written.kind != Reveal.Kind.EMERGENCY:
        raise CannotOpen("No opening of this code by you is on record, so nothing is shown.")
    if written.entry.participant_id != written.participant_id:
        raise CannotOpen("No opening of this code by you is on record, so nothing is shown.")
    return _open_entry(written.entry)


@sensitive_variables()
def arm_for_card(card: CodeCard, *, actor: Actor) -> KnownArm:
    """Return what stands inside a paper card to the pharmacist who made it, while it is fresh and sealed.

    The card is read again from the database: one that was never written opens nothing.
    """
    require(actor, Cap.LIST_MANAGE)
    written = (
        CodeCard.objects.select_related("entry__list__study", "entry__list__protocol_version")
        .filter(uid=card.uid, printed_by_id=actor.user_id, line=None)
        .first()
    )
    if written is None or actor.study_id != written.entry.list.study_id:
        raise CannotOpen("This card is not on record as made by you, so nothing is shown.")
    return _open_entry(written.entry)


@sensitive_variables()
def opened_list(opening: ListOpening, *, actor: Actor) -> OpenedList:
    """Return the whole list to anybody of the study, once two people have signed that it is opened."""
    require(actor, Cap.STUDY_VIEW)
    written = (
        ListOpening.objects.select_related("list__study", "list__protocol_version")
        .filter(pk=opening.pk, agreed_at__isnull=False, agreeing__isnull=False)
        .first()
    )
    if written is None or actor.study_id != written.list.study_id:
        raise CannotOpen("The list is not opened: two signatures are needed first.")
    return list_to_verify(written.list)


@sensitive_variables()
def arm_to_prepare(entry: ListEntry, *, actor: Actor) -> KnownArm:
    """Return the arm of an issued number to the pharmacist who prepares its kit."""
    _require_pharmacist(actor, entry.list.study_id)
    ahead = plan_of(entry.list.protocol_version).supply.way == "number"
    if entry.participant_id is None and (entry.list.follows_people or not ahead):
        raise CannotOpen("A number is opened for preparation only after it was issued.")
    return _open_entry(entry)


@sensitive_variables()
def _open_entry(entry: ListEntry) -> KnownArm:
    place = _entry_place(entry.list.study.slug, entry.number)
    return _named(entry.list.protocol_version, _open(entry.box, place, f"Number {entry.number}"))


@sensitive_variables()
def arm_of_batch(batch: KitBatch, *, version: ProtocolVersion, actor: Actor) -> KnownArm:
    """Return which kind of kits a batch holds, to the pharmacist."""
    _require_pharmacist(actor, batch.study_id)
    return _named(version, _open(batch.box, _batch_place(batch), "This batch"))


def _require_pharmacist(actor: Actor, study_id: int) -> None:
    require(actor, Cap.DISPENSE)
    if actor.is_system or actor.study_id != study_id:
        raise CannotOpen("Only a pharmacist of this study prepares its kits.")


@sensitive_variables()
def list_to_verify(allocation_list: AllocationList) -> OpenedList:
    """Return the whole list to those of this app that compare or continue it and report no arm."""
    context = f"{allocation_list.study.slug}|list"
    try:
        return unpack(unseal(bytes(allocation_list.box), key=sealing_key(), context=context))
    except SealedWithAnotherKey:
        raise CannotOpen("The list was sealed with another key than this site has.") from None
    except SealDamaged:
        raise CannotOpen("The sealed list does not open: it was changed.") from None


@sensitive_variables()
def entry_to_verify(entry: ListEntry) -> str | None:
    """Return the arm key in a number's box for comparison with the list; None when it does not open."""
    try:
        return _open(entry.box, _entry_place(entry.list.study.slug, entry.number), "This number")
    except CannotOpen:
        return None


@sensitive_variables()
def batch_to_verify(batch: KitBatch) -> str | None:
    """Return the arm key in a batch's box for comparison with the list; None when it does not open."""
    try:
        return _open(batch.box, _batch_place(batch), "This batch")
    except CannotOpen:
        return None


@dataclass(frozen=True, slots=True)
class Resealed:
    """How many boxes were sealed anew."""

    lists: int
    numbers: int
    batches: int


@sensitive_variables()
def reseal(*, old: bytes, new: bytes) -> Resealed:
    """Open every box with `old`, seal it with `new`, and open it again to compare; for the key's change only.

    Called inside one transaction: a box that does not open raises CannotOpen and nothing is changed.
    """
    if old == new:
        raise CannotOpen("The new key is the present one. Make another one.")
    lists = list(AllocationList.objects.select_for_update(of=("self",)).select_related("study"))
    numbers = list(
        ListEntry.objects.select_for_update(of=("self",))
        .select_related("list__study")
        .defer("list__box")  # as long as the list itself
        .order_by("pk")
    )
    batches = list(KitBatch.objects.select_for_update(of=("self",)).select_related("study"))
    for one in lists:
        one.box = _again(one.box, f"{one.study.slug}|list", "A list", old, new)
    for entry in numbers:
        place = _entry_place(entry.list.study.slug, entry.number)
        entry.box = _again(entry.box, place, f"Number {entry.number}", old, new)
    for batch in batches:
        batch.box = _again(batch.box, _batch_place(batch), f"Batch {batch.uid}", old, new)
    # The guards forbid any change of a box; this one changes no content, which was just compared.
    with pgtrigger.ignore(
        "allocation.AllocationList:append_only",
        "allocation.ListEntry:arm_stays",
        "allocation.ListEntry:issued_stays",
        "allocation.ListEntry:number_in_order",
        "allocation.ListEntry:number_after_sign_off",
        "allocation.KitBatch:append_only",
    ):
        AllocationList.objects.bulk_update(lists, ["box"])
        ListEntry.objects.bulk_update(numbers, ["box"], batch_size=1000)
        KitBatch.objects.bulk_update(batches, ["box"])
    return Resealed(len(lists), len(numbers), len(batches))


@sensitive_variables()
def _again(box: bytes | memoryview, place: str, what: str, old: bytes, new: bytes) -> bytes:
    try:
        content = unseal(bytes(box), key=old, context=place)
    except SealedWithAnotherKey:
        raise CannotOpen(f"{what} was sealed with another key than the old one.") from None
    except SealDamaged:
        raise CannotOpen(f"{what} does not open: it was changed.") from None
    made = seal(content, key=new, context=place)
    if unseal(made, key=new, context=place) != content:
        raise CannotOpen(f"{what} does not open with the new key.")
    return made

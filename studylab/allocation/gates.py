"""The gates: the only functions that seal or open an arm. Nothing else in the house holds the key.

Each gate asks who wants to know and why. What leaves a gate is never written, logged or put into an error:
errors are raised here without their cause, and objects that hold an arm hide it from their repr.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from django.conf import settings
from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.allocation.models import AllocationList, KitBatch, ListEntry, Reveal
from studylab.allocation.rules.design import followed_list
from studylab.allocation.rules.sealed_list import OpenedList, pack, unpack
from studylab.allocation.rules.sealing import (
    SealDamaged,
    SealedWithAnotherKey,
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
    if written is None or written.entry.participant_id != written.participant_id:
        raise CannotOpen("No opening of this code by you is on record, so nothing is shown.")
    return _open_entry(written.entry)


@sensitive_variables()
def arm_to_prepare(entry: ListEntry, *, actor: Actor) -> KnownArm:
    """Return the arm of an issued number to the pharmacist who prepares its kit."""
    _require_pharmacist(actor, entry.list.study_id)
    if entry.participant_id is None:
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

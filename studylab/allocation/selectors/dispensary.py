"""What the pharmacist works with. Pages that show any of this are the pharmacist's only."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from django.db.models import Count, Min, Q
from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.allocation.gates import arm_of_batch, list_to_verify
from studylab.allocation.models import (
    AllocationList,
    Kit,
    KitBatch,
    KitMovement,
    ListEntry,
    Reveal,
    StockCount,
)
from studylab.allocation.rules import reconciling
from studylab.allocation.rules.design import ListDesign
from studylab.allocation.rules.kit_states import OUT_OF_SIGHT, STATES, possible
from studylab.allocation.selectors.running_low import few_left, kit_notice
from studylab.participants.models import Participant
from studylab.people.selectors import today_in
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.selectors import current_protocol

FEW_KITS = 5
_OUT = [Kit.State.PREPARED, Kit.State.DISPENSED, Kit.State.GIVEN]


@dataclass(frozen=True, slots=True)
class BatchStock:
    """One batch with what it holds; `counts` by state, `usable` kits in stock within their date."""

    batch: KitBatch
    arm_name: str = field(repr=False)
    counts: dict[str, int]
    expired: bool
    expires_soon: bool

    @property
    def usable(self) -> int:
        """Kits that may still be prepared."""
        return 0 if self.expired else self.counts["in_stock"]


@dataclass(frozen=True, slots=True)
class BatchCount:
    """One batch and its reconciliation."""

    batch: KitBatch
    arm_name: str = field(repr=False)
    count: reconciling.Count
    kits: tuple[reconciling.KitSeen, ...]
    last_count: StockCount | None


def version_of_kits(study: Study) -> ProtocolVersion:
    """Return the version whose arms count: that of the sealed list, else the current one."""
    sealed = AllocationList.objects.select_related("protocol_version").filter(study=study).first()
    return sealed.protocol_version if sealed else current_protocol(study).version


def list_detail(study: Study, actor: Actor) -> AllocationList | None:
    """Return the sealed list's row for the pharmacist, without its box."""
    require(actor, Cap.LIST_MANAGE)
    return (
        AllocationList.objects.select_related("protocol_version", "sealing", "sealed_by")
        .defer("box")
        .filter(study=study)
        .first()
    )


@sensitive_variables()
def sealed_design(sealed: AllocationList, actor: Actor) -> ListDesign:
    """Return how a sealed list was made, for the pharmacist; no arm and no row of it."""
    require(actor, Cap.LIST_MANAGE)
    return list_to_verify(AllocationList.objects.select_related("study").get(pk=sealed.pk)).design


@sensitive_variables("names")
def stock(study: Study, actor: Actor) -> list[BatchStock]:
    """Return every batch with its arm and counts, the earliest date first."""
    require(actor, Cap.DISPENSE)
    version, today, soon = version_of_kits(study), today_in(study.timezone), kit_notice(study)
    counted = {state: Count("kits", filter=Q(kits__state=state)) for state in STATES}
    batches = KitBatch.objects.filter(study=study).select_related("study").annotate(**counted)
    batches = batches.prefetch_related("checks")
    return [
        BatchStock(
            batch,
            arm_of_batch(batch, version=version, actor=actor).name,
            {state: getattr(batch, state) for state in STATES},
            batch.usable_until < today,
            today <= batch.usable_until < today + soon,
        )
        for batch in batches.order_by("usable_until", "label")
    ]


@sensitive_variables()
def stock_warnings(study: Study, batches: Sequence[BatchStock], actor: Actor) -> list[str]:
    """Return what is short or soon past its date, in words for the pharmacist."""
    require(actor, Cap.DISPENSE)
    arms = current_protocol(study).plan.allocation.arms
    usable: dict[str, int] = {arm.name: 0 for arm in arms}
    found_unchecked = [
        f"Batch {one.batch.label} waits for its identity check: none of its kits is prepared before."
        for one in batches
        if not one.batch.identified
    ]
    for one in batches:
        usable[one.arm_name] = usable.get(one.arm_name, 0) + one.usable
    found = [
        f"{name}: {count} usable kits in stock."
        for name, count in usable.items()
        if count < FEW_KITS
    ]
    for one in batches:
        if one.expired and one.counts["in_stock"]:
            found.append(
                f"Batch {one.batch.label} is past its date with kits in stock. Destroy them."
            )
        elif one.expires_soon and one.counts["in_stock"]:
            found.append(
                f"Batch {one.batch.label} can be used for less than {kit_notice(study).days} days."
            )
    few = [
        f"The list has {one.left} numbers left (stratum: {one.stratum})." for one in few_left(study)
    ]
    return found_unchecked + found + few


def waiting_for_kit(study: Study) -> list[ListEntry]:
    """Return issued numbers of active volunteers that have no kit, the longest waiting first."""
    opened = Reveal.objects.filter(participant__study=study).values("participant")
    return list(
        ListEntry.objects.filter(list__study=study, participant__status=Participant.Status.ACTIVE)
        .exclude(kits__state__in=_OUT)
        .exclude(participant__in=opened)
        .select_related("participant")
        .defer("box")
        .order_by("issued_at", "id")
    )


def kits_out(study: Study) -> list[Kit]:
    """Return kits that are prepared or handed out, with the people they are for."""
    return list(
        Kit.objects.filter(study=study, state__in=[Kit.State.PREPARED, Kit.State.DISPENSED])
        .select_related("entry__participant")
        .order_by("entry__number")
    )


def label_date(study: Study) -> date | None:
    """Return the one usable-until date that every label of the study carries.

    It is the earliest of all kits at hand: a kit's own date could tell batches apart.
    """
    at_hand = Q(kits__state__in=[Kit.State.IN_STOCK, Kit.State.PREPARED, Kit.State.DISPENSED])
    batches = KitBatch.objects.filter(
        at_hand, study=study, usable_until__gte=today_in(study.timezone)
    )
    earliest: date | None = batches.aggregate(earliest=Min("usable_until"))["earliest"]
    return earliest


def ledger_of(kit: Kit) -> list[KitMovement]:
    """Return the kit's lines, oldest first."""
    return list(kit.movements.select_related("by", "second").order_by("id"))


def acts_on(kit: Kit) -> tuple[str, ...]:
    """Return the movements that may follow for this kit."""
    left = kit.movements.filter(what__in=OUT_OF_SIGHT).exists()
    return possible(kit.state, left_before=left)


@sensitive_variables("names")
def batch_arm_name(batch: KitBatch, actor: Actor) -> str:
    """Return what a batch holds, for the pharmacist."""
    return arm_of_batch(batch, version=version_of_kits(batch.study), actor=actor).name


@sensitive_variables()
def reconcile(study: Study, actor: Actor) -> list[BatchCount]:
    """Return each batch with received = sum over states, and every difference from the ledger."""
    require(actor, Cap.DISPENSE)
    lines: dict[int, list[str]] = defaultdict(list)
    of_study = KitMovement.objects.filter(kit__study=study).order_by("id")
    for kit_id, what in of_study.values_list("kit_id", "what"):
        lines[kit_id].append(what)
    kits: dict[int, list[reconciling.KitSeen]] = defaultdict(list)
    for kit in Kit.objects.filter(study=study).order_by("number"):
        kits[kit.batch_id].append(
            reconciling.KitSeen(
                kit.number, kit.state, kit.entry_id is not None, tuple(lines[kit.pk])
            )
        )
    version = version_of_kits(study)
    return [
        BatchCount(
            batch,
            arm_of_batch(batch, version=version, actor=actor).name,
            reconciling.count(kits[batch.pk]),
            tuple(kits[batch.pk]),
            batch.counts.order_by("-id").select_related("by", "second").first(),
        )
        for batch in KitBatch.objects.filter(study=study).select_related("study").order_by("label")
    ]

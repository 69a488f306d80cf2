"""Which batches are to be counted, and which counts wait for an explanation; for the pharmacist only."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Count, F, Max, Q
from django.http import Http404

from studylab.access import Actor, Cap, require
from studylab.allocation.models import Kit, KitBatch, StockCount
from studylab.allocation.rules.counting import CountDue, count_due
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class BatchToCount:
    """One batch that is due; how many kits the ledger has is not here."""

    batch: KitBatch
    last: datetime | None
    due: CountDue


def batches_to_count(study: Study, actor: Actor, at: datetime) -> list[BatchToCount]:
    """Return batches whose count is due, the most urgent first. A batch with nothing left in stock is not counted."""
    require(actor, Cap.DISPENSE)
    every = current_protocol(study).plan.supply.count_every_days
    left = Count("kits", filter=Q(kits__state=Kit.State.IN_STOCK), distinct=True)
    batches = KitBatch.objects.filter(study=study).defer("box")
    found = []
    for batch in batches.annotate(left=left, last=Max("counts__at")).filter(left__gt=0):
        last = batch.last
        due = count_due(
            received=batch.received_at.astimezone(study.zone).date(),
            counted=last.astimezone(study.zone).date() if last else None,
            every_days=every, today=at.astimezone(study.zone).date(),
        )  # fmt: skip
        if due is not None:
            found.append(BatchToCount(batch, last, due))
    return sorted(found, key=lambda one: (one.due.by, one.batch.label))


def counts_to_explain(study: Study, actor: Actor) -> list[StockCount]:
    """Return counts that differ from the ledger and that nobody has explained, the oldest first."""
    require(actor, Cap.DISPENSE)
    differ = StockCount.objects.filter(batch__study=study, explained=None).exclude(
        counted=F("expected")
    )
    return list(differ.select_related("by", "second", "batch").defer("batch__box").order_by("id"))


def counts_of(study: Study, actor: Actor) -> list[StockCount]:
    """Return every count with who made it and what explains it, the newest first."""
    require(actor, Cap.DISPENSE)
    rows = StockCount.objects.filter(batch__study=study).defer("batch__box")
    return list(
        rows.select_related("by", "second", "batch", "explained__by").order_by("-at", "-id")[:200]
    )


def access_count(study: Study, uid: UUID) -> StockCount:
    """Return a count of this study, or raise Http404."""
    counts = StockCount.objects.select_related("batch__study", "by", "second").defer("batch__box")
    found = counts.filter(batch__study=study, uid=uid).first()
    if found is None:
        raise Http404("There is no such count in this study.")
    return found

"""What runs low or out of date in the dispensary. For pharmacists only: to others it would tell about stock."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Count, Q

from studylab.allocation.models import Kit, KitBatch, ListEntry
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

FEW_NUMBERS = 4  # and KIT_DAYS: where the study document says nothing
KIT_DAYS = 30
_AT_HAND = [Kit.State.IN_STOCK, Kit.State.PREPARED, Kit.State.DISPENSED]


@dataclass(frozen=True, slots=True)
class FewLeft:
    """A stratum of the list with few numbers left."""

    list_id: int
    stratum: str
    left: int


def few_left(study: Study) -> list[FewLeft]:
    """Return the strata of the sealed list that have as few numbers left as the document names, or fewer."""
    said = current_protocol(study).plan.messages.list_left
    rows = (
        ListEntry.objects.filter(list__study=study)
        .values("list_id", "stratum")
        .annotate(left=Count("id", filter=Q(participant=None)))
        .order_by("stratum")
    )
    most = FEW_NUMBERS if said is None else said
    return [
        FewLeft(row["list_id"], row["stratum"], row["left"]) for row in rows if row["left"] <= most
    ]


def kit_notice(study: Study) -> timedelta:
    """Return how long before the end of its use a batch is looked at."""
    return timedelta(days=current_protocol(study).plan.messages.kit_days or KIT_DAYS)


def expiring(study: Study, today: date) -> list[KitBatch]:
    """Return batches at hand that can be used for a short time only, the soonest first; what expired is not among them."""
    rows = KitBatch.objects.filter(study=study, kits__state__in=_AT_HAND)
    last = today + kit_notice(study)
    rows = rows.filter(usable_until__gte=today, usable_until__lt=last).distinct()
    return list(rows.defer("box").order_by("usable_until", "label"))

"""What other parts of the house may know: numbers, kits and their state, never an arm."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef

from studylab.allocation.models import (
    AllocationList,
    Kit,
    KitMovement,
    ListCheck,
    ListEntry,
    Reveal,
)
from studylab.allocation.rules.replacing import Holder, places_taken
from studylab.codes import normalise
from studylab.participants.models import Participant
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class KitState:
    """The kit of one volunteer as the dose gate sees it; all None or False without one.

    `usable_until` is the instant from which the kit is expired. It is the batch's own date: judge by it, but
    never show it, since dates could tell batches apart. `stopped` means that nothing more may be given to
    this volunteer; why is not said here.
    """

    number: str | None = None
    for_number: str | None = None
    prepared: bool = False
    dispensed: bool = False
    given: bool = False
    usable_until: datetime | None = None
    quarantined: bool | None = None
    stopped: bool = False


@dataclass(frozen=True, slots=True)
class KitAmount:
    """What a kit holds, the same for every arm: `count` units of `strength_mg`."""

    count: int
    strength_mg: Decimal


@dataclass(frozen=True, slots=True)
class ListState:
    """What everybody may know of the list. `commitment` is "" until it is sealed."""

    sealed: bool
    commitment: str = ""
    sealed_at: datetime | None = None
    checked_at: datetime | None = None
    check_agrees: bool = True


def list_state(study: Study) -> ListState:
    """Return whether the list is sealed, and its public commitment."""
    sealed = AllocationList.objects.filter(study=study).only("commitment", "sealed_at").first()
    if sealed is None:
        return ListState(False)
    check = ListCheck.objects.filter(list=sealed).order_by("-id").first()
    if check is None:
        return ListState(True, sealed.commitment, sealed.sealed_at)
    return ListState(True, sealed.commitment, sealed.sealed_at, check.at, check.agrees)


def numbers_issued(study: Study) -> int:
    """Return how many numbers were issued; whoever sees the volunteers could count them."""
    return ListEntry.objects.filter(list__study=study, participant__isnull=False).count()


def places_taken_in(study: Study, rule: str) -> int:
    """Return how many places of the study are taken, by the protocol's rule on replacing."""
    dosed = KitMovement.objects.filter(
        what=KitMovement.What.GIVE, kit__entry__participant=OuterRef("participant")
    )
    rows = ListEntry.objects.filter(list__study=study, participant__isnull=False)
    stay = (Participant.Status.ACTIVE, Participant.Status.COMPLETED)
    return places_taken(
        (
            Holder(status not in stay, given)
            for status, given in rows.values_list("participant__status", Exists(dosed))
        ),
        rule,
    )


def entry_of(participant: Participant) -> ListEntry | None:
    """Return the volunteer's number, or None. Its sealed value is not loaded."""
    return ListEntry.objects.defer("box").filter(participant=participant).first()


def open_levels(participant: Participant) -> dict[str, str]:
    """Return the levels of the open factors of the volunteer's number; empty without a number."""
    entry = entry_of(participant)
    return dict(entry.open_levels) if entry else {}


def kit_of(participant: Participant) -> Kit | None:
    """Return the kit that counts for the volunteer: prepared, out or given, else the last one put aside."""
    kits = Kit.objects.select_related("batch", "entry", "study").defer("batch__box", "entry__box")
    mine = kits.filter(entry__participant=participant)
    live = mine.filter(state__in=[Kit.State.PREPARED, Kit.State.DISPENSED, Kit.State.GIVEN]).first()
    return live or mine.filter(state=Kit.State.QUARANTINED).order_by("-movements__id").first()


def kit_fact(participant: Participant) -> KitState:
    """Return the volunteer's kit for the dose gate, without its arm."""
    stopped = Reveal.objects.filter(participant=participant).exists()
    kit = kit_of(participant)
    if kit is None or kit.entry is None:
        return KitState(stopped=stopped)
    return KitState(
        number=kit.number,
        for_number=kit.entry.number,
        prepared=kit.state == Kit.State.PREPARED,
        dispensed=kit.state in (Kit.State.DISPENSED, Kit.State.GIVEN),
        given=kit.state == Kit.State.GIVEN,
        usable_until=_end_of(kit),
        quarantined=kit.state == Kit.State.QUARANTINED,
        stopped=stopped,
    )


def _end_of(kit: Kit) -> datetime:
    zone = ZoneInfo(kit.study.timezone)
    return datetime.combine(kit.batch.usable_until + timedelta(days=1), time(0), zone)


def kit_amount(kit: Kit) -> KitAmount:
    """Return count and strength of the kit's units; receiving made sure that they are the protocol's."""
    return KitAmount(kit.batch.units_per_kit, kit.batch.strength_mg)


def kit_for_number(study: Study, kit_number: str) -> Kit | None:
    """Return the study's kit with this number, as scanned or typed; None when there is none."""
    kits = Kit.objects.select_related("batch", "entry").defer("batch__box", "entry__box")
    return kits.filter(study=study, number=normalise(kit_number)).first()

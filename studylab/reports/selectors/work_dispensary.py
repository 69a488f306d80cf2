"""What waits in the dispensary: the pharmacist's part of the front page, shown to nobody else."""

from datetime import datetime, timedelta

from studylab.access import Actor
from studylab.allocation.models import Kit, ListEntry
from studylab.allocation.selectors.counting import batches_to_count, counts_to_explain
from studylab.allocation.selectors.running_low import expiring, few_left
from studylab.participants.models import Participant
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

_SOON = timedelta(days=3)


def kits_to_hand_out(study: Study, at: datetime) -> Group:
    """Numbers whose dosing visit comes within three days and whose kit is not handed out yet."""
    dosing = current_protocol(study).plan.dosing_visit.number
    entries = (
        ListEntry.objects.filter(
            list__study=study,
            participant__status=Participant.Status.ACTIVE,
            participant__visits__number=dosing,
            participant__visits__state__in=["booked", "running"],
            participant__visits__planned__startswith__lte=at + _SOON,
        )
        .exclude(kits__state__in=[Kit.State.DISPENSED, Kit.State.GIVEN])
        .defer("box")
        .select_related("participant")
        .order_by("participant__visits__planned", "id")
    )
    ready = set(
        Kit.objects.filter(entry__in=entries, state=Kit.State.PREPARED).values_list(
            "entry_id", flat=True
        )
    )
    items = []
    for entry in entries:
        assert entry.participant is not None, "the filter asks for one"
        code = entry.participant.code
        page, more = ("kit_dispense", {"code": code}) if entry.pk in ready else ("dispensary", {})
        text = "Kit prepared: hand it out." if entry.pk in ready else "Prepare a kit."
        items.append(Item(f"Number {entry.number}, {code}", address(page, study, **more), text))
    return Group("Kits for the coming three days", "warn", address("dispensary", study), items)


def runs_low(study: Study, at: datetime) -> Group:
    """Numbers and kits that somebody has to see to while there is time."""
    page = address("dispensary", study)
    items = [
        Item(f"Numbers of the list ({one.stratum or 'all'})", page, f"{one.left} left.")
        for one in few_left(study)
    ]
    today = at.astimezone(study.zone).date()
    items += [
        Item(f"Batch {one.label}", page, f"Can be used until {one.usable_until:%a %d %b %Y}.")
        for one in expiring(study, today)
    ]
    return Group("Runs low or out of date", "warn", page, items)


def count_work(study: Study, actor: Actor, at: datetime) -> list[Group]:
    """Return what is to be counted by when, and which differences wait for an explanation."""
    page = address("kit_counts", study)
    due = [
        Item(
            f"Batch {one.batch.label}", address("batch_count", study, uid=one.batch.uid),
            f"To be counted by {one.due.by:%-d %B}.",
            "stop" if one.due.late else "wait", "overdue" if one.due.late else "due",
        )
        for one in batches_to_count(study, actor, at)
    ]  # fmt: skip
    differ = [
        Item(
            f"Batch {one.batch.label}", address("kit_count_explain", study, uid=one.uid),
            f"Counted on {one.at.astimezone(study.zone):%-d %B}.", "stop", "differs",
        )
        for one in counts_to_explain(study, actor)
    ]  # fmt: skip
    return [
        Group("Counts that differ: explain", "warn", page, differ),
        Group("Stock to count", "warn", page, due),
    ]

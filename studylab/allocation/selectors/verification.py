"""Comparing a sealed list with its seed, its commitment, the numbers and the kits. No arm leaves here."""

from django.views.decorators.debug import sensitive_variables

from studylab.allocation.gates import CannotOpen, batch_to_verify, entry_to_verify, list_to_verify
from studylab.allocation.models import AllocationList, Kit, ListEntry
from studylab.allocation.rules.design import places_of
from studylab.allocation.rules.sealed_list import EntrySeen, differences
from studylab.studies.rules.protocol import AllocationPlan
from studylab.studies.selectors import current_protocol, plan_of


@sensitive_variables()
def list_differences(sealed: AllocationList) -> list[str]:
    """Return every way in which list, seed, commitment, numbers and kits differ; empty when all agree."""
    try:
        opened = list_to_verify(sealed)
    except CannotOpen as problem:
        return [problem.message]
    entries = list(sealed.entries.order_by("stratum", "position", "number"))
    arms = {entry.pk: entry_to_verify(entry) for entry in entries}
    plan = plan_of(sealed.protocol_version).allocation
    found = differences(
        opened=opened,
        plan=plan,
        published=sealed.commitment,
        method=sealed.generator_version,
        entries=[_seen(entry, arms[entry.pk]) for entry in entries],
    )
    places = len(places_of(plan, opened.design))
    if sealed.length != places:
        found.append(f"The list has {places} numbers, {sealed.length} are on record.")
    return found + _plan_differences(sealed, plan) + _kit_differences(sealed, arms)


def _plan_differences(sealed: AllocationList, plan: AllocationPlan) -> list[str]:
    """Compare what the list was made by with what the protocol says by now."""
    now = current_protocol(sealed.study)
    by_now = now.plan.allocation
    same = (plan.arms, plan.open_factors, plan.strata) == (
        by_now.arms, by_now.open_factors, by_now.strata
    )  # fmt: skip
    if same:
        return []
    return [
        f"Protocol version {now.version.number} has other arms, ratios or factors than version "
        f"{sealed.protocol_version.number}, by which the list was made."
    ]


def _seen(entry: ListEntry, arm: str | None) -> EntrySeen:
    return EntrySeen(
        number=entry.number,
        stratum=entry.stratum,
        position=entry.position,
        open_levels=tuple(entry.open_levels.items()),
        issued=entry.participant_id is not None,
        arm=arm,
        factor_levels=tuple(entry.factor_levels.items()),
    )


@sensitive_variables()
def _kit_differences(sealed: AllocationList, arms: dict[int, str | None]) -> list[str]:
    kits = Kit.objects.filter(entry__list=sealed).select_related("batch__study", "entry")
    found = []
    for kit in kits.order_by("entry__number"):
        assert kit.entry is not None
        held = batch_to_verify(kit.batch)
        if held is None:
            found.append(f"Kit {kit.number}: what its batch holds does not open.")
        elif held != arms[kit.entry.pk]:
            found.append(f"Kit {kit.number} does not fit its number {kit.entry.number}.")
    return found

"""The one-row-per-person file: everything that is one value for a volunteer, a few hundred people at a time."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from scheduling.models import Dose, Series, Visit
from screening.models import AnswerSet, SignOff, VitalSet
from studylab.allocation.models import ListEntry
from studylab.audit.history import STANDS
from studylab.participants.models import Consent, Deviation, EventEntry, Participant
from studylab.participants.selectors.wishes import NOT_ASKED, uses_of
from studylab.studies.models import Study

AT_ONCE = 500
_VALUES = ("systolic", "diastolic", "pulse")


def people_rows(study: Study) -> Iterator[dict[str, Any]]:
    """Yield one mapping from column to value for each volunteer, in the order in which they were added."""
    last = 0
    while people := list(
        Participant.objects.filter(study=study, pk__gt=last)
        .order_by("pk")
        .values("pk", "code", "status")[:AT_ONCE]
    ):
        last = people[-1]["pk"]
        yield from _rows(people)


def _rows(people: Sequence[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    ids = [one["pk"] for one in people]
    parts = (
        _numbers(ids), _consents(ids), _bodies(ids), _decisions(ids), _visits(ids), _measured(ids), _counted(ids),
    )  # fmt: skip
    uses = uses_of(ids)
    for one in people:
        unasked = NOT_ASKED if one["status"] == Participant.Status.WITHDRAWN else ""
        row = {"code": one["code"], "status": one["status"]}
        row["use_after_withdrawal"] = uses.get(one["pk"], unasked)
        for part in parts:
            row |= part.get(one["pk"], {})
        yield {
            "vital_sets": 0,
            "adverse_events": 0,
            "serious_events": 0,
            "deviations": 0,
            "visits_done": 0,
        } | row


def _numbers(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    found = ListEntry.objects.filter(participant__in=ids).values_list(
        "participant_id", "number", "stratum"
    )
    return {pk: {"number": number, "stratum": stratum} for pk, number, stratum in found}


def _consents(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    found = Consent.objects.filter(STANDS, participant__in=ids, kind="study")
    ordered = found.order_by("-signed_at").values_list("participant_id", "signed_at")
    return {pk: {"consent_signed_at": at} for pk, at in ordered}


def _bodies(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    names = ("age_years", "height_cm", "weight_kg")
    found = AnswerSet.objects.filter(STANDS, participant__in=ids, when="screening")
    return {
        pk: dict(zip(names, values, strict=True))
        for pk, *values in found.order_by("given_at", "pk").values_list("participant_id", *names)
    }


def _decisions(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    found = SignOff.objects.filter(participant__in=ids).order_by("pk")
    return {
        pk: {"sign_off": decision}
        for pk, decision in found.values_list("participant_id", "decision")
    }


def _visits(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    found = Visit.objects.filter(participant__in=ids).exclude(series__state=Series.State.CANCELLED)
    rows: dict[int, dict[str, Any]] = defaultdict(lambda: {"visits_done": 0})
    for pk, number, state, at in found.order_by("pk").values_list(
        "participant_id", "number", "state", "started_at"
    ):
        if number in (1, 2, 3):
            rows[pk][f"visit_{number}_started_at"] = at
        rows[pk]["visits_done"] += state == Visit.State.DONE
    return rows


def _measured(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Return the dose, and the newest decided sets before and after it."""
    given: dict[int, datetime] = dict(
        Dose.objects.filter(STANDS, participant__in=ids)
        .values_list("participant_id", "given_at")
    )  # fmt: skip
    rows: dict[int, dict[str, Any]] = {pk: {"dose_given_at": at} for pk, at in given.items()}
    sets = VitalSet.objects.filter(
        STANDS, participant__in=ids, systolic__isnull=False,
        gate__in=[VitalSet.Gate.PRE_DOSE, VitalSet.Gate.POST_DOSE],
    ).order_by("taken_at", "pk")  # fmt: skip
    for pk, gate, at, *values in sets.values_list("participant_id", "gate", "taken_at", *_VALUES):
        row = rows.setdefault(pk, {})
        row |= {f"{gate}_{name}": value for name, value in zip(_VALUES, values, strict=True)}
        if gate == VitalSet.Gate.POST_DOSE and pk in given:
            row["post_dose_minutes"] = round((at - given[pk]).total_seconds() / 60, 2)
    return rows


def _counted(ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    standing = VitalSet.objects.filter(STANDS, participant__in=ids)
    events = EventEntry.objects.filter(
        STANDS, event__participant__in=ids, in_error=False
    ).values_list("event__participant_id", "criteria")
    counts = {
        "vital_sets": Counter(standing.values_list("participant_id", flat=True)),
        "adverse_events": Counter(pk for pk, _ in events),
        "serious_events": Counter(pk for pk, criteria in events if criteria),
        "deviations": Counter(
            Deviation.objects.filter(participant__in=ids).values_list("participant_id", flat=True)
        ),
    }
    return {pk: {name: count[pk] for name, count in counts.items()} for pk in ids}

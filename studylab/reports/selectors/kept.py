"""What was kept as planned: waits, spacing, visits that took place, and why people were not allocated."""

from collections import Counter
from datetime import datetime

from django.db.models import Count, Func, JSONField, Min, Q, Value

from scheduling.models import Dose, Visit
from scheduling.rules.shares import share
from scheduling.selectors.capacity import CAME
from screening.models import Assessment, SignOff, VitalSet
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.reports.rules.chart import Cell, Chart
from studylab.reports.rules.histogram import Allowed, Bin, bars, bins, histogram
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol, Spacing
from studylab.studies.selectors import current_protocol

HOUR, MINUTE = 3600.0, 60.0
MOMENTS = {"start": "start", "end": "end", "dose": "dose"}
_ENDS: dict[str, str] = {
    Participant.Status.WITHDRAWN: "declined or withdrew",
    Participant.Status.LOST: "lost to contact",
}
PHYSICIAN, IN_WORDS = "not eligible by the physician's decision", "another reason, on the volunteer's page"  # fmt: skip
# Of the findings, kilobytes for each of thousands of people, only the first that excludes.
_AGAINST = Func(
    "findings", Value('$[*] ? (@.disposition == "exclude").concept'),
    function="jsonb_path_query_first", template="%(function)s(%(expressions)s::jsonpath)",
    output_field=JSONField(),
)  # fmt: skip
BIN_COLUMNS = ("from", "up to", "number", "of them outside the window")


def kept_charts(study: Study, now: datetime) -> list[Chart]:
    """Return the charts of the page in their order, in a constant number of queries."""
    plan = current_protocol(study).plan
    moments = _moments(study)
    spacing = [_spacing(plan, rule, moments, n) for n, rule in enumerate(plan.spacings, start=1)]
    return [_reasons(study), _missed(study, now), _waits(study, plan), *spacing]


def _reasons(study: Study) -> Chart:
    rows = Counter(_why_not(study)).most_common()
    return Chart(
        key="screen-failures",
        title="Why people were not allocated",
        about="People who were assessed and left before allocation, each by one main reason.",
        drawing=bars(rows) if rows else None,
        columns=("main reason", "people"),
        rows=rows,
        row="one main reason",
        by="main reason",
        empty="Nobody who was assessed has left before allocation.",
    )


def _why_not(study: Study) -> list[str]:
    """One main reason each: what the rules found first that excludes, else the decision, else how it ended."""
    gone = study.participants.filter(entry=None).exclude(status=Participant.Status.ACTIVE)
    newest = (
        Assessment.objects.filter(participant__in=gone, gate=Assessment.Gate.SCREENING)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
    )
    refused = set(
        SignOff.objects.filter(
            participant__in=gone, decision=SignOff.Decision.NOT_ELIGIBLE
        ).values_list("participant_id", flat=True)
    )
    found = []
    for pk, status, against in newest.values_list(
        "participant_id", "participant__status", _AGAINST
    ):
        if status in _ENDS:
            found.append(_ENDS[status])
        elif against:
            found.append(against)
        else:
            found.append(PHYSICIAN if pk in refused else IN_WORDS)
    return found


def _missed(study: Study, now: datetime) -> Chart:
    due = Visit.objects.filter(participant__study=study, planned__startswith__lte=now)
    counted = due.order_by("number").values_list("number").annotate(
        missed=Count("pk", filter=Q(state=Visit.State.MISSED)),
        came=Count("pk", filter=Q(state__in=CAME)),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for number, missed, came in counted:
        rate = share(missed, missed + came)
        rows.append((f"Visit {number}", missed, rate.whole, rate.words))
    return Chart(
        key="missed",
        title="Visits to which nobody came",
        about="Visits that were due, by number, and how many of them were missed.",
        drawing=bars([(str(row[0]), int(row[1])) for row in rows]) if rows else None,
        columns=("visit", "missed", "due", "share with its exact 95 % interval"),
        rows=rows,
        row="one visit of the series",
        by="visit",
        empty="No visit was due yet.",
    )


def _waits(study: Study, plan: Protocol) -> Chart:
    wait = plan.dose_wait
    taken = dict(
        VitalSet.objects.filter(participant__study=study, gate=VitalSet.Gate.POST_DOSE, supersedes=None)
        .order_by().values_list("participant_id").annotate(first=Min("taken_at"))
    )  # fmt: skip
    given = Dose.objects.filter(STANDS, participant__study=study)
    values = [
        (taken[person] - at).total_seconds() / MINUTE
        for person, at in given.values_list("participant_id", "given_at")
        if person in taken
    ]
    allowed = Allowed(
        wait.length.total_seconds() / MINUTE,
        (wait.length + wait.tolerance).total_seconds() / MINUTE,
    )
    return _histogram(
        "wait", "Wait from the dose to the check after it", "minutes", values, allowed
    )


def _moments(study: Study) -> dict[int, dict[str, datetime]]:
    """When visits of series that stand began, ended and had their dose, by person and "visit number.moment"."""
    found: dict[int, dict[str, datetime]] = {}
    visits = Visit.objects.filter(participant__study=study, started_at__isnull=False)
    for person, number, start, end in visits.exclude(series__state="cancelled").values_list(
        "participant_id", "number", "started_at", "ended_at"
    ):
        mine = found.setdefault(person, {})
        if start is not None:
            mine[f"{number}.start"] = start
        if end is not None:
            mine[f"{number}.end"] = end
    doses = Dose.objects.filter(STANDS, participant__study=study)
    for person, number, at in doses.values_list("participant_id", "visit__number", "given_at"):
        found.setdefault(person, {})[f"{number}.dose"] = at
    return found


def _spacing(
    plan: Protocol, rule: Spacing, moments: dict[int, dict[str, datetime]], number: int
) -> Chart:
    numbers = {visit.key: visit.number for visit in plan.visits}
    (first, begin), (second, finish) = (one.split(".") for one in (rule.start, rule.end))
    start, end = f"{numbers[first]}.{begin}", f"{numbers[second]}.{finish}"
    values = [
        (mine[end] - mine[start]).total_seconds() / HOUR
        for mine in moments.values()
        if start in mine and end in mine
    ]
    allowed = Allowed(
        rule.earliest.total_seconds() / HOUR,
        rule.latest.total_seconds() / HOUR,
        rule.target.total_seconds() / HOUR,
    )
    title = f"From the {MOMENTS[begin]} of visit {numbers[first]} to the {MOMENTS[finish]} of visit {numbers[second]}"  # fmt: skip
    return _histogram(f"spacing-{number}", title, "hours", values, allowed)


def _histogram(key: str, title: str, unit: str, values: list[float], allowed: Allowed) -> Chart:
    rows = bins(values, allowed) if values else []
    target = "" if allowed.target is None else f", aimed at {allowed.target:g}"
    return Chart(
        key=key,
        title=title,
        about=f"How often each length occurred, in {unit}. The window is {allowed.earliest:g} to {allowed.latest:g}{target}.",
        drawing=histogram(rows, allowed, unit=unit) if rows else None,
        columns=tuple(f"{name} ({unit})" if name in BIN_COLUMNS[:2] else name for name in BIN_COLUMNS),
        rows=[_bin_row(row) for row in rows],
        row=f"one class of lengths, in {unit}",
        by=f"from ({unit})",
        empty="None on record yet.",
    )  # fmt: skip


def _bin_row(row: Bin) -> tuple[Cell, ...]:
    return (f"{row.start:g}", f"{row.end:g}", row.number, row.outside)

"""Booked visits that no longer fit what really happened before them."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Prefetch, Q

from scheduling.models import Dose, Series, Visit
from scheduling.rules.gaps import visit_of
from scheduling.rules.spacing import check_spacing, planned_anchors
from scheduling.selectors.repair_input import OVER, happened
from studylab.audit.history import STANDS
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of


@dataclass(frozen=True, slots=True)
class Misfit:
    """A booked visit outside its window, counted from when the earlier one really was, and the sentences."""

    visit: Visit
    why: tuple[str, ...]


def misfits(study: Study) -> list[Misfit]:
    """Return every booked visit whose spacing is no longer kept, the soonest first. Queries are constant."""
    return _judged(Q(participant__study=study))


def misfits_of(series: Series) -> list[Misfit]:
    """Return those of one series."""
    return _judged(Q(pk=series.pk))


def _judged(which: Q) -> list[Misfit]:
    begun = Visit.objects.filter(state__in=OVER).values("series")
    rows = list(
        Series.objects.filter(which, state=Series.State.OPEN, pk__in=begun)
        .filter(visits__state=Visit.State.BOOKED)
        .distinct()
        .select_related("participant__study", "protocol_version")
        .prefetch_related(Prefetch("visits", Visit.objects.order_by("number")))
    )
    given = Dose.objects.filter(STANDS, visit__series__in=rows)
    doses = dict(given.values_list("visit_id", "given_at"))
    found = [one for series in rows for one in _of_series(series, doses)]
    return sorted(found, key=lambda one: (one.visit.planned.lower, one.visit.pk))


def _of_series(series: Series, doses: dict[int, datetime]) -> list[Misfit]:
    plan = plan_of(series.protocol_version)
    visits = list(series.visits.all())
    over = [row for row in visits if row.state in OVER]
    booked = {row.number: row for row in visits if row.state == Visit.State.BOOKED}
    anchors = planned_anchors(plan, {number: row.planned.lower for number, row in booked.items()})
    anchors |= happened(plan, over, doses)
    real = {row.number for row in over}
    said: dict[int, list[str]] = {}
    for result in check_spacing(plan, anchors):
        first, last = visit_of(plan, result.rule.start), visit_of(plan, result.rule.end)
        if first in real and last in booked and result.verdict in ("early", "late"):
            said.setdefault(last, []).append(result.message)
    rows = [Misfit(booked[number], tuple(why)) for number, why in sorted(said.items())]
    for one in rows:
        one.visit.participant = series.participant
    return rows

"""What is known of the emergency kit and of who stays with whom."""

from collections.abc import Iterable, Mapping
from datetime import datetime

from scheduling.models import RescueCheck, Staying, Visit
from scheduling.rules.elapsed import local_day, local_day_bounds
from scheduling.rules.presence import Stay, stay_of
from scheduling.selectors.evidence import Evidence
from studylab.studies.models import Study


def rescue_check_today(study: Study, at: datetime) -> RescueCheck | None:
    """Return the newest look through the emergency kit on the local day of `at`; None when there was none."""
    start, _end = local_day_bounds(local_day(at, study.timezone), study.timezone)
    checks = RescueCheck.objects.filter(at__gte=start, at__lte=at).select_related("by")
    return checks.order_by("-at", "-id").first()


def stays_of(
    visits: Iterable[Visit],
    evidence: Mapping[int, Evidence],
    watched: Mapping[int, bool],
    at: datetime,
) -> dict[int, Stay]:
    """Return who stays with the volunteer of each visit, by the visit's id, in one query."""
    visits = list(visits)
    newest: dict[int, Staying] = {}
    for row in Staying.objects.filter(visit__in=visits).select_related("user").order_by("at", "id"):
        newest[row.visit_id] = row
    return {
        visit.pk: stay_of(
            name=newest[visit.pk].user.name if visit.pk in newest else "",
            since=newest[visit.pk].at if visit.pk in newest else None,
            last_sign=_last_sign(newest.get(visit.pk), evidence[visit.pk]),
            watched=watched[visit.pk],
            at=at,
        )
        for visit in visits
    }


def stay_now(visit: Visit, evidence: Evidence, at: datetime, *, watched: bool) -> Stay:
    """Return who stays with the volunteer of one visit."""
    return stays_of([visit], {visit.pk: evidence}, {visit.pk: watched}, at)[visit.pk]


def _last_sign(staying: Staying | None, evidence: Evidence) -> datetime | None:
    """Return when somebody was with the volunteer for certain: said so, gave the dose, measured, or did a step."""
    signs = [record.occurred_at for record in evidence.records.values() if not record.skipped]
    signs += [one.taken_at for one in evidence.vitals.values() if one.taken_at]
    if staying is not None:
        signs.append(staying.at)
    if evidence.dose is not None:
        signs.append(evidence.dose.given_at)
    return max(signs, default=None)

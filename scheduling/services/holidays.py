"""Public holidays: taken over from the published list into our own table, opened with a reason, closed again."""

from datetime import date

import holidays as published

from scheduling.models import Closure, Holiday
from scheduling.rules.elapsed import local_day_bounds
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

SOURCE = f"holidays {published.__version__}"


@service
def holidays_import(*, study: Study, year: int, actor: Actor) -> int:
    """Close the whole lab on the public holidays of a year; return how many days were added.

    Holidays are those of the protocol's country and part of it, taken from the package `holidays` into our
    own table. A day that is there already stays as it is, also when somebody opened it.
    """
    require(actor, Cap.LAB_TIMES)
    plan = current_protocol(study).plan
    days = holiday_days(plan.country, plan.subdivision, year)
    place = {"country": plan.country, "subdivision": plan.subdivision, "timezone": study.timezone}
    known = set(Holiday.objects.filter(**place).values_list("day", flat=True))
    added = sorted(set(days) - known)
    for day in added:
        Holiday.objects.create(
            day=day, name=days[day][:120], source=SOURCE, closure=_closed(day, days[day], study), **place
        )  # fmt: skip
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="closure", subject_code=year,
        data={"what": "holidays", "country": plan.country, "part": plan.subdivision,
              "added": len(added), "package": SOURCE},
    )  # fmt: skip
    return len(added)


@service
def holiday_open(*, holiday: Holiday, reason: str, actor: Actor) -> Holiday:
    """Open the lab on a public holiday, at its usual hours."""
    require(actor, Cap.LAB_TIMES)
    row: Holiday = lock(Holiday, pk=holiday.pk)
    if row.closure is None:
        raise Conflict("The lab is open on this holiday already.")
    if not reason.strip():
        raise Refused("Say why the lab is open on this holiday.", field="reason")
    closure, row.closure = row.closure, None
    row.opened_reason, row.opened_at, row.opened_by_id = (
        reason.strip()[:300],
        clock.now(),
        actor.user_id,
    )
    row.save(update_fields=["closure", "opened_reason", "opened_at", "opened_by"])
    closure.delete()
    _note(row, actor, "holiday opened", row.opened_reason)
    return row


@service
def holiday_close(*, holiday: Holiday, study: Study, actor: Actor) -> Holiday:
    """Close the lab on a public holiday again. Visits booked on it stay and are listed."""
    require(actor, Cap.LAB_TIMES)
    row: Holiday = lock(Holiday, pk=holiday.pk)
    if row.closure is not None:
        raise Conflict("The lab is closed on this holiday already.")
    row.closure = _closed(row.day, row.name, study)
    row.opened_reason, row.opened_at, row.opened_by = "", None, None
    row.save(update_fields=["closure", "opened_reason", "opened_at", "opened_by"])
    _note(row, actor, "holiday closed")
    return row


def holiday_days(country: str, subdivision: str, year: int) -> dict[date, str]:
    """Return the public holidays of a year as {day: name}; Refused when the package knows no such country or part.

    A day kept at the end of December for New Year may stand in the next year's list, so that is read too.
    """
    if not 2000 <= year <= 2099:
        raise Refused("Holidays are known for the years 2000 to 2099.", field="year")
    parts = published.list_supported_countries().get(country)
    if parts is None or (subdivision and subdivision not in parts):
        raise Refused(
            f"No public holidays are known for {country} {subdivision}. Add them as closures by hand.",
            field="year",
        )
    found = published.country_holidays(country, subdiv=subdivision or None, years=[year, year + 1])
    return {day: name for day, name in found.items() if day.year == year}


def _closed(day: date, name: str, study: Study) -> Closure:
    """Return the closure of the whole lab on a local day: the one that stands, or a new one."""
    during = span(*local_day_bounds(day, study.timezone))
    standing = Closure.objects.filter(resource=None, during=during, holiday=None).first()
    return standing or Closure.objects.create(resource=None, during=during, reason=name[:120])


def _note(row: Holiday, actor: Actor, what: str, reason: str = "") -> None:
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="closure", subject_code=row.uid,
        reason=reason, data={"what": what, "day": row.day.isoformat(), "name": row.name},
    )  # fmt: skip

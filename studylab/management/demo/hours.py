"""Public holidays, a rota file, a preparation table and calendar feeds of the invented lab."""

from datetime import datetime, time, timedelta

from scheduling.models import Closure, Holiday, Resource
from scheduling.rules.openings import Hours
from scheduling.selectors.resources import closures_with_hits
from scheduling.selectors.rota import RotaAsked
from scheduling.services.feeds import feed_make
from scheduling.services.holidays import holiday_open, holidays_import
from scheduling.services.resources import opening_set, resource_add
from scheduling.services.rota import rota_import
from studylab import clock
from studylab.management.demo.cast import EXPERIMENTERS
from studylab.management.demo.lab import Lab


def dated_hours(lab: Lab, now: datetime) -> None:
    """Close the holidays of two years but those with visits, and take over next week's rota of one person."""
    today = now.astimezone(lab.study.zone).date()
    with clock.travel(now - timedelta(hours=3)):
        for year in (today.year, today.year + 1):
            holidays_import(study=lab.study, year=year, actor=lab.actor("lead"))
        closures = Closure.objects.filter(holiday__day__gte=today).select_related("holiday")
        for row in closures_with_hits(lab.study, list(closures)):
            if row.hit:
                holiday_open(
                    holiday=Holiday.objects.get(closure=row.closure), actor=lab.actor("coordinator"),
                    reason="Visits are booked and everybody agreed to work.",
                )  # fmt: skip
        person = lab.users[EXPERIMENTERS[-1]].name
        days = [today + timedelta(days=n) for n in range(10, 15)]
        lines = ["person,day,from,until", *(f"{person},{day},07:00,15:00" for day in days)]
        rota_import(
            asked=RotaAsked("early-shifts.csv", "\n".join(lines).encode(), False, lab.study.timezone),
            actor=lab.actor("coordinator"),
        )  # fmt: skip
        table = resource_add(
            kind="preparation table", name="Tray table", places=2, user=None,
            timezone=lab.study.timezone, actor=lab.actor("lead"),
        )  # fmt: skip
        for thing in Resource.objects.filter(name__in=("Quay room", person)):
            feed_make(study=lab.study, resource=thing, actor=lab.actor("coordinator"))
        week = [Hours(day, time(7), time(20)) for day in range(7)]
        opening_set(resource=table, rows=week, actor=lab.actor("lead"))

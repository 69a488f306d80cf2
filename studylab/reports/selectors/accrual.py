"""How recruitment goes: who came, was allocated and finished, and when the last visit is expected."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil

from django.db.models import Count, Exists, F, Max, OuterRef

from scheduling.models import Series, Visit
from scheduling.rules.capacity_view import free_starts
from scheduling.rules.elapsed import local_day
from scheduling.rules.shares import Share, share
from scheduling.rules.timeline import Grid
from scheduling.selectors.capacity import rate_of
from scheduling.selectors.timelines import occupancy
from screening.models import Assessment
from studylab.participants.models import Participant
from studylab.reports.rules.accrual_drawing import Accrual, drawn
from studylab.reports.rules.chart import Chart
from studylab.reports.rules.forecast import Forecast, Standing, first_rate, forecast, learnt
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

WEEK = timedelta(days=7)
AHEAD = 4  # weeks of the calendar looked at; after them as many series are taken to fit as in these
LONGEST = 520  # weeks: what lies later than ten years is not called a date
ABOUT = "People allocated and people who finished, by week, with the target and the expected time of the last visit."
_Status = Participant.Status


@dataclass(frozen=True, slots=True)
class Person:
    """One volunteer's dates as far as they got; `ended` is the end of their last visit when they completed."""

    status: str
    came: datetime
    allocated: datetime | None
    ended: datetime | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the page shows: counts, rates, and the dates of the last visit (None when none can be named)."""

    target: int
    allocated: int
    completed: int
    per_week: float
    failures: Share
    leaving: Share
    missed: Share
    free: Sequence[int]
    planned_weeks: int | None
    planned_until: date | None
    found: Forecast | None
    days: tuple[date, date, date] | None
    chart: Chart


def outlook_of(study: Study, now: datetime) -> Outlook:
    """Return where recruitment stands and when the last visit is expected, in a constant number of queries."""
    plan = current_protocol(study).plan
    people, began = _people(study), _began(study, now)
    standing = _standing(study, people, began, now)
    found = forecast(standing) if people else None
    if found is not None and found.high > LONGEST:
        found = None
    ends = (found.low, found.middle, found.high) if found else None
    days = tuple(_day(study, now, weeks) for weeks in ends) if ends else None
    weeks = plan.progress.planned_weeks
    return Outlook(
        target=plan.target,
        allocated=standing.passed,
        completed=standing.completed,
        per_week=standing.rate.mean,
        failures=_failures(study),
        leaving=share(standing.left, standing.left + standing.completed),
        missed=rate_of(study, now),
        free=standing.free,
        planned_weeks=weeks,
        planned_until=_day(study, began, weeks) if weeks else None,
        found=found,
        days=days,  # type: ignore[arg-type]
        chart=_chart(study, people, began, now, ends),
    )


def _day(study: Study, start: datetime, weeks: float) -> date:
    return local_day(start, study.timezone) + timedelta(days=ceil(weeks * 7))


def _began(study: Study, now: datetime) -> datetime:
    """When recruitment could begin: the first confirmed limits, or the first volunteer where that was earlier."""
    confirmed = study.protocol_versions.filter(confirmed_at__isnull=False).order_by("confirmed_at").values_list("confirmed_at", flat=True).first()  # fmt: skip
    came = study.participants.order_by("added_at").values_list("added_at", flat=True).first()
    return min(one for one in (confirmed, came, now) if one is not None)


def _people(study: Study) -> list[Person]:
    rows = study.participants.annotate(
        ended=Max("visits__ended_at"), allocated=F("entry__issued_at")
    ).values_list("status", "added_at", "allocated", "ended")
    return [
        Person(status, came, allocated, (ended or came) if status == _Status.COMPLETED else None)
        for status, came, allocated, ended in rows
    ]


def _standing(study: Study, people: list[Person], began: datetime, now: datetime) -> Standing:
    plan = current_protocol(study).plan
    count = Counter((p.allocated is not None, p.status) for p in people)
    passed = sum(n for (numbered, _), n in count.items() if numbered)
    running, screening = count[True, _Status.ACTIVE], count[False, _Status.ACTIVE]
    completed = count[True, _Status.COMPLETED]
    booked = Visit.objects.filter(
        participant__study=study, participant__status=_Status.ACTIVE, series__state=Series.State.OPEN,
        state__in=[Visit.State.BOOKED, Visit.State.RUNNING],
    ).values_list("participant_id", "planned")  # fmt: skip
    on_calendar = {
        participant: planned.upper for participant, planned in booked.order_by("planned")
    }
    last = max(on_calendar.values(), default=now)
    rate = first_rate(plan.target, plan.progress.planned_weeks)
    return Standing(
        target=plan.target,
        rate=learnt(rate, len(people), (now - began) / WEEK),
        passed=passed,
        failed=len(people) - passed - screening,
        completed=completed,
        left=passed - running - completed,
        running=running,
        screening=screening,
        unbooked=max(0, running + screening - len(on_calendar)),
        booked_weeks=max(0.0, (last - now) / WEEK),
        delays=[(p.ended - p.came) / WEEK for p in people if p.ended is not None],
        free=_free(study, now),
    )


def _free(study: Study, now: datetime) -> list[int]:
    """How many series still fit in each of the weeks to come; every place of the house is looked at once."""
    plan = current_protocol(study).plan
    grid = Grid.covering(now, now + AHEAD * WEEK)
    kinds = {n.kind for visit in plan.visits for part in visit.segments for n in part.needs}
    places = occupancy(grid.start, grid.end, kinds=kinds, at=now).places
    starts = free_starts(plan=plan, grid=grid, zone=study.timezone, places=places, now=now)
    weeks = Counter(int((start - now) / WEEK) for start in starts)
    return [weeks[number] for number in range(AHEAD)]


def _failures(study: Study) -> Share:
    """Of those who were assessed and are through screening, how many were not allocated."""
    assessed = Assessment.objects.filter(participant=OuterRef("pk"), gate=Assessment.Gate.SCREENING)
    through = study.participants.filter(Exists(assessed)).exclude(status=_Status.ACTIVE, entry=None)
    people = through.aggregate(whole=Count("pk"), allocated=Count("entry"))
    return share(people["whole"] - people["allocated"], people["whole"])


def _chart(
    study: Study,
    people: list[Person],
    began: datetime,
    now: datetime,
    ends: tuple[float, float, float] | None,
) -> Chart:
    plan = current_protocol(study).plan
    allocated = sorted((p.allocated - began) / WEEK for p in people if p.allocated)
    finished = sorted((p.ended - began) / WEEK for p in people if p.ended)
    passed = (now - began) / WEEK
    later = (passed + ends[0], passed + ends[1], passed + ends[2]) if ends else None
    shown = Accrual(
        allocated, finished, passed, plan.target, plan.progress.planned_weeks, later, ()
    )
    ticks = [(n * shown.last / 4, f"{_day(study, began, n * shown.last / 4):%d %b %Y}") for n in range(4)]  # fmt: skip
    rows = [
        (
            _day(study, began, week).isoformat(),
            bisect_right(allocated, week), bisect_right(finished, week),
        )
        for week in range(ceil(passed) + 1)
    ]  # fmt: skip
    return Chart(
        key="accrual",
        title="Allocated and finished",
        about=ABOUT,
        drawing=drawn(
            Accrual(
                allocated, finished, passed, plan.target, plan.progress.planned_weeks, later, ticks
            )
        ),
        columns=("until", "allocated", "finished"),
        rows=rows,
        row="one week of recruitment, counted from its beginning",
        by="until",
    )

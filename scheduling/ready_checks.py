"""What a study needs of rooms, people's hours, holidays and the emergency kit before it can book and dose."""

from collections.abc import Iterator
from datetime import datetime

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from scheduling.models import Opening, Resource, Shift
from scheduling.rules.elapsed import local_day
from scheduling.rules.series import kinds_needed
from scheduling.selectors.presence import rescue_check_today
from scheduling.selectors.rota import holiday_rows
from studylab.access import Cap, Role
from studylab.people.models import User
from studylab.people.selectors import holding_on
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.rules.readiness import Before, Ready, Stands
from studylab.studies.selectors import current_protocol

_LATE_IN_YEAR = 10  # from October on, series reach into the next year


def kind_lines(study: Study, at: datetime) -> Iterator[Ready]:
    """Yield each kind that the visits need: whether something of it can be booked in the time to come."""
    plan = current_protocol(study).plan
    there = {
        row["kind"]: row["count"]
        for row in _with_hours(at).values("kind").annotate(count=Count("pk")).order_by("kind")
    }
    most = _at_once(plan)
    for kind, visits in kinds_needed(plan).items():
        found, numbers = there.get(kind, 0), " and ".join(map(str, visits))
        text = f"{found} with opening hours, for visit {numbers}."
        stands = Stands.READY
        if not found:
            stands, text = Stands.MISSING, "Nothing of this kind has opening hours yet."
        elif most[kind] > 1:
            text = f"{text} A visit needs {most[kind]} places at once."
        yield Ready(
            f"kind-{kind}", f"{kind.capitalize()} in the calendar", Before.BOOKING, stands, text, Cap.SETUP_EDIT, "resources"
        )  # fmt: skip


def _with_hours(at: datetime) -> QuerySet[Resource]:
    weekly = Exists(Opening.objects.filter(resource=OuterRef("pk")))
    dated = Exists(Shift.objects.filter(resource=OuterRef("pk"), during__endswith__gt=at))
    return Resource.objects.filter(Q(weekly) | Q(dated), is_active=True)


def _at_once(plan: Protocol) -> dict[str, int]:
    found: dict[str, int] = {}
    for visit in plan.visits:
        for segment in visit.segments:
            for need in segment.needs:
                found[need.kind] = max(found.get(need.kind, 0), need.count)
    return found


def people_hours(study: Study, at: datetime) -> Iterator[Ready]:
    """Yield whether everybody who runs visits, and a clinician for the cover, has hours in the calendar."""
    members = User.objects.filter(is_active=True)
    today = holding_on(local_day(at, study.timezone))
    booked = set(_with_hours(at).filter(user__isnull=False).values_list("user_id", flat=True))
    for role, key, title in (
        (Role.EXPERIMENTER, "rota", "Rota of the experimenters"),
        (Role.CLINICIAN, "on-cover", "Clinician on cover"),
    ):
        held = study.memberships.filter(today, role=role).values("user")
        people = list(members.filter(pk__in=held).order_by("name"))
        without = [one.name for one in people if one.pk not in booked]
        stands, text = Stands.READY, f"Hours are entered for {_names(people)}."
        if not people or len(without) == len(people):
            stands = Stands.MISSING
            text = "Nobody of this role has hours that belong to their account, so nobody can be booked by name."
        elif without:
            stands, text = Stands.LOOK, f"Without hours of their own: {', '.join(without)}."
        yield Ready(key, title, Before.BOOKING, stands, text, Cap.LAB_TIMES, "resource_rota")


def _names(people: list[User]) -> str:
    return ", ".join(one.name for one in people)


def holiday_lines(study: Study, at: datetime) -> Iterator[Ready]:
    """Yield whether the public holidays of this year, late in it of the next one too, are decided."""
    plan, today = current_protocol(study).plan, local_day(at, study.timezone)
    years = [today.year, *([today.year + 1] if today.month >= _LATE_IN_YEAR else [])]
    open_years = [str(year) for year in years if not holiday_rows(study, year)]
    place = "-".join(part for part in (plan.country, plan.subdivision) if part)
    text = f"Those of {place} are taken over for {' and '.join(map(str, years))}."
    if open_years:
        text = f"Those of {place} for {' and '.join(open_years)} are not taken over: visits could be booked on them."
    yield Ready(
        "holidays", "Public holidays", Before.BOOKING,
        Stands.MISSING if open_years else Stands.READY, text, Cap.LAB_TIMES, "resource_holidays",
    )  # fmt: skip


def rescue_lines(study: Study, at: datetime) -> Iterator[Ready]:
    """Yield whether somebody looked through the emergency kit today, which each day with a dose needs."""
    check = rescue_check_today(study, at)
    if check is None:
        stands, text = Stands.LOOK, "Not looked through today. It is due on each day with a dose."
    elif check.complete:
        stands, text = Stands.READY, f"Looked through today by {check.by.name}."
    else:
        stands, text = Stands.MISSING, "Something was missing when it was looked through today."
    yield Ready("rescue", "Emergency kit", Before.DOSE, stands, text, Cap.VISIT_RUN, "rescue_check")

"""Reading resources, hours and closures for the set-up pages."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Count, Prefetch, QuerySet
from django.http import Http404

from scheduling.models import Booking, Closure, Opening, Resource
from scheduling.rules.openings import Hours, say_week
from scheduling.rules.series import kinds_needed
from studylab.people.models import User
from studylab.people.selectors import today_in
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import current_protocol

# Kinds of a lab of this sort (common practice), to choose from before a protocol asks for them.
USUAL_KINDS = (
    "lab room", "waiting chair", "sensor set", "preparation table", "dispensary", "physician cover",
    "experimenter", "second checker", "clinician", "pharmacist", "coordinator",
)  # fmt: skip
REUSED = "sensor set"


@dataclass(frozen=True, slots=True)
class ResourceRow:
    """One resource as the page shows it; `hours` are lines, none when it is never open."""

    resource: Resource
    places: int
    hours: list[str]


@dataclass(frozen=True, slots=True)
class KindGroup:
    """Everything of one kind. `visits` are the numbers of the visits that need it."""

    kind: str
    visits: tuple[int, ...]
    turnaround: int
    rows: list[ResourceRow]

    @property
    def in_use(self) -> list[ResourceRow]:
        """Rows that can be booked."""
        return [row for row in self.rows if row.resource.is_active]

    @property
    def gap(self) -> str:
        """Say what keeps visits from being booked on this kind; "" when nothing does."""
        if not self.visits:
            return ""
        if not self.in_use:
            numbers = " and ".join(map(str, self.visits))
            return f"Visit {numbers} needs one and there is none: no series can be booked."
        if not any(row.hours for row in self.in_use):
            return "None of these has opening hours: no series can be booked."
        if self.kind == REUSED and not self.turnaround:
            return (
                "The protocol gives no turnaround for sensor sets, so two volunteers in a row could get the "
                "same one, still wet. Add a protocol version with one."
            )
        return ""


def access_resource(uid: UUID) -> Resource:
    """Return a resource or answer "not found". Resources belong to the lab, not to one study."""
    found = Resource.objects.filter(uid=uid).select_related("user").first()
    if found is None:
        raise Http404("There is no such resource.")
    return found


def access_closure(uid: UUID) -> Closure:
    """Return a closure or answer "not found"."""
    found = Closure.objects.filter(uid=uid).select_related("resource").first()
    if found is None:
        raise Http404("There is no such closure.")
    return found


def active_resources() -> QuerySet[Resource]:
    """Return resources in use, by kind and name."""
    return Resource.objects.filter(is_active=True).order_by("kind", "name")


def resource_groups(study: Study) -> list[KindGroup]:
    """Return every kind the protocol needs or the lab has, needed ones first, with its resources."""
    plan = current_protocol(study).plan
    needed = dict(kinds_needed(plan))
    rows: dict[str, list[ResourceRow]] = defaultdict(list)
    resources = (
        Resource.objects.select_related("user")
        .annotate(place_count=Count("places"))
        .prefetch_related(Prefetch("openings", Opening.objects.order_by("weekday", "opens")))
        .order_by("-is_active", "name")
    )
    for resource in resources:
        count = resource.place_count
        rows[resource.kind].append(ResourceRow(resource, count, say_week(hours_of(resource))))
    kinds = [*needed, *sorted(set(rows) - set(needed))]
    return [
        KindGroup(kind, needed.get(kind, ()), plan.turnaround.get(kind, 0), rows[kind])
        for kind in kinds
    ]


def hours_of(resource: Resource) -> list[Hours]:
    """Return the weekly hours of a resource."""
    return [Hours(row.weekday, row.opens, row.closes) for row in resource.openings.all()]


def kind_choices(study: Study) -> list[str]:
    """Return kinds to choose from: those the protocol names, those the lab already has, and usual ones."""
    plan: Protocol = current_protocol(study).plan
    have = Resource.objects.order_by("kind").values_list("kind", flat=True).distinct()
    return list(dict.fromkeys([*kinds_needed(plan), *plan.turnaround, *have, *USUAL_KINDS]))


def member_users(study: Study) -> QuerySet[User]:
    """Return people who hold a role in the study today, by name."""
    today = today_in(study.timezone)
    return (
        User.objects.filter(memberships__study=study, memberships__starts_on__lte=today)
        .exclude(memberships__ends_on__lt=today)
        .distinct()
        .order_by("name")
    )


@dataclass(frozen=True, slots=True)
class ClosureRow:
    """A closure and the visits that are booked inside it; other studies' visits without their codes."""

    closure: Closure
    hit: list[str]


def closure_rows(study: Study, since: datetime) -> list[ClosureRow]:
    """Return closures that end after `since`, soonest first, with the visits they hit."""
    closures = (
        Closure.objects.filter(during__endswith__gt=since)
        .select_related("resource", "holiday")
        .order_by("during", "id")
    )
    return closures_with_hits(study, list(closures))


def closures_with_hits(study: Study, closures: list[Closure]) -> list[ClosureRow]:
    """Return closures with the visits that are booked inside each."""
    if not closures:
        return []
    taken = list(
        Booking.objects.filter(
            is_active=True, during__overlaps_any=[row.during for row in closures]
        ).values_list(
            "place__resource_id", "during", "visit__participant__study_id",
            "visit__participant__code", "visit__number",
        )
    )  # fmt: skip
    rows = []
    for closure in closures:
        hit = {
            f"{code} visit {number}" if study_id == study.pk else "a visit of another study"
            for resource_id, during, study_id, code, number in taken
            if closure.resource_id in (None, resource_id)
            and during.lower < closure.during.upper
            and closure.during.lower < during.upper
        }
        rows.append(ClosureRow(closure, sorted(hit)))
    return rows

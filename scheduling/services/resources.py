"""Writing rooms, people, hours and closures."""

from collections.abc import Sequence
from itertools import pairwise

from django.db.models.deletion import ProtectedError

from scheduling.models import Booking, Closure, Holiday, Opening, Place, Resource
from scheduling.rules.openings import Hours
from scheduling.rules.second_checker import SECOND_CHECKER
from scheduling.services.changes import closure_lifted
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused, RefusedWithReasons
from studylab.people.models import User

MAX_PLACES = 50
PERSON_KINDS = (
    "experimenter",
    SECOND_CHECKER,
    "coordinator",
    "clinician",
    "pharmacist",
)  # kinds that are one person each


@service
def resource_add(
    *, kind: str, name: str, places: int, user: User | None, timezone: str, actor: Actor
) -> Resource:
    """Add something bookable with so many places, each bookable by itself. It has no hours yet."""
    require(actor, Cap.SETUP_EDIT)
    _check(kind, name, places, user)
    resource = Resource.objects.create(
        kind=kind.strip(), name=name.strip(), user=user, timezone=timezone
    )
    Place.objects.bulk_create([Place(resource=resource, index=n + 1) for n in range(places)])
    _note(resource, actor, "added", {"kind": resource.kind, "places": places})
    return resource


@service
def resource_change(
    *, resource: Resource, name: str, places: int, user: User | None, actor: Actor
) -> Resource:
    """Change name, person and number of places. A place that was ever booked is never taken away."""
    require(actor, Cap.SETUP_EDIT)
    row: Resource = lock(Resource, pk=resource.pk)
    _check(row.kind, name, places, user)
    row.name, row.user = name.strip(), user
    row.save(update_fields=["name", "user"])
    have = row.places.count()
    Place.objects.bulk_create([Place(resource=row, index=n + 1) for n in range(have, places)])
    try:
        row.places.filter(index__gt=places).delete()
    except ProtectedError as problem:
        raise Refused(
            "A place that was booked stays. Take the whole resource out of use and add a smaller one.",
            field="places",
        ) from problem
    _note(row, actor, "changed", {"name": row.name, "places": places})
    return row


@service
def opening_set(*, resource: Resource, rows: Sequence[Hours], actor: Actor) -> None:
    """Replace the weekly opening hours. Bookings outside the new hours stay and are shown as such."""
    require(actor, Cap.SETUP_EDIT)
    row: Resource = lock(Resource, pk=resource.pk)
    ordered = sorted(rows)
    for before, after in pairwise(ordered):
        if before.weekday == after.weekday and after.opens < before.closes:
            raise Refused("Two openings of one weekday overlap.", field=f"day_{after.weekday}")
    row.openings.all().delete()
    Opening.objects.bulk_create(
        [Opening(resource=row, weekday=h.weekday, opens=h.opens, closes=h.closes) for h in ordered]
    )
    said = [f"{h.weekday} {h.opens:%H:%M}-{h.closes:%H:%M}" for h in ordered]
    _note(row, actor, "hours", {"hours": said})


@service
def resource_retire(*, resource: Resource, actor: Actor) -> Resource:
    """Take a resource out of use. Refused, with the visits named, while anything to come is booked on it."""
    require(actor, Cap.SETUP_EDIT)
    row: Resource = lock(Resource, pk=resource.pk)
    booked = Booking.objects.filter(
        place__resource=row, is_active=True, during__endswith__gt=clock.now()
    )
    hit = booked.order_by("during").values_list(
        "visit__participant__study_id", "visit__participant__code", "visit__number"
    )
    reasons = [
        f"{code} visit {number}" if study_id == actor.study_id else "a visit of another study"
        for study_id, code, number in hit
    ]
    if reasons:
        raise RefusedWithReasons("Move these visits first; they are booked on it:", reasons)
    row.is_active = False
    row.save(update_fields=["is_active"])
    _note(row, actor, "taken out of use", {})
    return row


@service
def resource_restore(*, resource: Resource, actor: Actor) -> Resource:
    """Take a resource into use again."""
    require(actor, Cap.SETUP_EDIT)
    row: Resource = lock(Resource, pk=resource.pk)
    row.is_active = True
    row.save(update_fields=["is_active"])
    _note(row, actor, "taken into use again", {})
    return row


@service
def closure_remove(*, closure: Closure, actor: Actor) -> None:
    """Take a closure back. The trail and the row history keep it."""
    require(actor, Cap.LAB_TIMES)
    if Holiday.objects.filter(closure=closure).exists():
        raise Refused(
            "This is a public holiday. Open it on the page of public holidays, with a reason."
        )
    closure_lifted(closure, actor)
    _note_closure(closure, actor, "closure removed")
    closure.delete()


def _check(kind: str, name: str, places: int, user: User | None) -> None:
    if not kind.strip():
        raise Refused("Say of which kind it is.", field="kind")
    if not name.strip():
        raise Refused("Give it a name that is on its door or label.", field="name")
    if not 1 <= places <= MAX_PLACES:
        raise Refused(f"It has 1 to {MAX_PLACES} places.", field="places")
    if kind.strip() in PERSON_KINDS and (user is None or places != 1):
        raise Refused(
            "This kind is a person: choose whose account it is, with one place.", field="user"
        )


def _note(resource: Resource, actor: Actor, what: str, data: dict[str, object]) -> None:
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="resource",
        subject_code=resource.uid, data={"what": what, "name": resource.name, **data},
    )  # fmt: skip


def _note_closure(closure: Closure, actor: Actor, what: str) -> None:
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="closure",
        subject_code=closure.uid, reason=closure.reason,
        data={
            "what": what,
            "of": closure.resource.name if closure.resource else "the whole lab",
            "start": closure.during.lower.isoformat(), "end": closure.during.upper.isoformat(),
        },
    )  # fmt: skip

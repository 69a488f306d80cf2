"""A member of staff who leaves: visits booked with them, feeds they made, and their place in the plan."""

from datetime import timedelta

from django.urls import reverse

from scheduling.models import Booking, CalendarFeed, Resource
from scheduling.services.outages import outage_add
from studylab import clock
from studylab.access import Actor, Cap
from studylab.people.leaving import Held, counted
from studylab.people.models import User
from studylab.studies.models import Study

_AWAY = timedelta(days=365)  # as long as an absence may be; whoever comes back has it taken away


def held(study: Study, user: User) -> list[Held]:
    """Return visits to come that need this person, and calendar feeds in their name."""
    found = []
    visits = (
        Booking.objects.filter(
            is_active=True, place__resource__user=user, during__endswith__gt=clock.now(),
            visit__series__participant__study=study,
        )
        .values("visit")
        .distinct()
        .count()
    )  # fmt: skip
    if visits:
        found.append(Held(
            f"{counted(visits, 'visit')} to come booked with them. If they leave the lab these stand under “Visits to repair” at once; "
            "if they stay in another study, enter that they are away.",
            reverse("repair", args=[study.slug]), "Visits to repair",
        ))  # fmt: skip
    feeds = CalendarFeed.objects.filter(study=study, made_by=user, revoked_at=None).count()
    if feeds:
        found.append(Held(
            f"{counted(feeds, 'calendar feed')} in their name: closed with the role.",
            reverse("calendar_feeds", args=[study.slug]),
        ))  # fmt: skip
    return found


def gone(user: User, _reason: str, actor: Actor) -> str:
    """Close the places of somebody who holds no role any more, so that every visit booked with them is to repair."""
    rows = list(Resource.objects.filter(user=user, is_active=True))
    if not rows or not actor.may(Cap.LAB_TIMES):
        return ""
    now = clock.now()
    outage_add(
        resources=rows, name=user.name, start=now, end=now + _AWAY, reason="has left the lab", actor=actor,
    )  # fmt: skip
    return "Visits booked with them stand under “Visits to repair”."

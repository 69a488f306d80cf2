"""What bounds the times of several volunteers, in a constant number of queries.

A first look: that a sign-off still stands is judged per person when something is written.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from scheduling.models import Availability, Place, Visit
from scheduling.rules.openings import both
from scheduling.rules.timeline import Interval
from scheduling.selectors.timelines import HOLDING, free_of, span
from scheduling.selectors.wishes import times_of
from screening.models import SignOff
from screening.selectors import washouts_of_all
from screening.selectors.staff_ties import kept_away_of_all
from studylab.participants.models import Participant


@dataclass(frozen=True, slots=True)
class Bounds:
    """When somebody can come and would like to, when their dose may be given, which places do not serve them."""

    free: tuple[Interval, ...]
    liked: tuple[Interval, ...]
    dose_from: datetime | None
    dose_before: datetime | None
    never: tuple[int, ...]


def bounds_of(
    people: Sequence[Participant],
    start: datetime,
    end: datetime,
    *,
    now: datetime,
    ignoring: Collection[int] = (),
) -> dict[int, Bounds]:
    """Return the bounds of everybody over [start, end) by participant id. `ignoring` are visits' ids."""
    busy: dict[int, list[Interval]] = defaultdict(list)
    visits = Visit.objects.filter(
        person__in={who.person_id for who in people}, state__in=HOLDING,
        planned__overlap=span(start, end),
    ).exclude(pk__in=ignoring)  # fmt: skip
    for person, lower, upper in visits.values_list(
        "person_id", "planned__startswith", "planned__endswith"
    ):
        busy[person].append((lower, upper))
    noted = {row.participant_id: row for row in Availability.objects.filter(participant__in=people)}
    waiting, signed = washouts_of_all(people, now), _signed_until(people)
    never = _never(people)
    found = {}
    for who in people:
        times, zone = times_of(noted.get(who.pk)), who.study.timezone
        free, out = free_of(busy[who.person_id], start, end), waiting[who.pk]
        found[who.pk] = Bounds(
            free=both(times.possible(zone, start, end), free),
            liked=both(times.liked(zone, start, end), free),
            dose_from=out[0].earliest if out else None,
            dose_before=signed.get(who.pk),
            never=never.get(who.pk, ()),
        )
    return found


def _signed_until(people: Sequence[Participant]) -> dict[int, datetime]:
    newest = (
        SignOff.objects.filter(participant__in=people)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
    )
    return {
        row.participant_id: row.valid_until
        for row in newest
        if row.decision == SignOff.Decision.ELIGIBLE and row.valid_until is not None
    }


def _never(people: Sequence[Participant]) -> dict[int, tuple[int, ...]]:
    away = kept_away_of_all(people)
    users = {user for those in away.values() for user in those}
    places: dict[int, list[int]] = defaultdict(list)
    rows = Place.objects.filter(resource__user_id__in=users) if users else Place.objects.none()
    for place, user in rows.values_list("pk", "resource__user_id"):
        if user is not None:
            places[user].append(place)
    return {
        who: tuple(place for user in those for place in places[user]) for who, those in away.items()
    }

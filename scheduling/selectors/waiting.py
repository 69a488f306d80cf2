"""Reading the waiting list, freed times, whom they fit, and what became of offers."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet
from django.http import Http404

from scheduling.models import Availability, Dose, FreedTime, Offer, Series, Waiting
from scheduling.rules.elapsed import local_day, local_day_bounds
from scheduling.rules.openings import both
from scheduling.rules.timeline import Grid, Interval
from scheduling.rules.waiting import Freed, Waiter, who_fits
from scheduling.selectors.cards import OptionShown, option_cards
from scheduling.selectors.crowd import Bounds, bounds_of
from scheduling.selectors.options import Found
from scheduling.selectors.timelines import free_places
from scheduling.selectors.wishes import known_times
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol, current_protocol

AROUND = timedelta(days=3)  # a series that uses a freed time lies this near to it
OFFERS = 20  # newest offers on the page


@dataclass(frozen=True, slots=True)
class WaitingShown:
    """One line of the list."""

    row: Waiting
    times: list[str]
    days: int


@dataclass(frozen=True, slots=True)
class FitShown:
    """Whom a freed time fits, with the series as a card; None when nothing of it fits them."""

    row: Waiting
    rank: int
    card: OptionShown | None


@dataclass(frozen=True, slots=True)
class OfferShown:
    """One offer and what became of it."""

    offer: Offer
    kind: str
    word: str


def waiting_rows(study: Study) -> QuerySet[Waiting]:
    """Return who waits and still can be booked, the longest wait first."""
    booked = Series.objects.filter(participant=OuterRef("participant")).exclude(state="cancelled")
    dosed = Dose.objects.filter(participant=OuterRef("participant"))
    return (
        Waiting.objects.filter(
            ~Exists(booked), ~Exists(dosed), participant__study=study, ended_at=None,
            participant__status=Participant.Status.ACTIVE,
        )
        .select_related("participant__study", "noted_by")
        .order_by("since", "id")
    )  # fmt: skip


def waiting_shown(study: Study, now: datetime) -> list[WaitingShown]:
    """Return the list as the page shows it."""
    rows = list(waiting_rows(study))
    noted = {
        row.participant_id: row
        for row in Availability.objects.filter(participant__in=[r.participant_id for r in rows])
    }
    return [
        WaitingShown(row, known_times(noted.get(row.participant_id)), (now - row.since).days)
        for row in rows
    ]


def waiting_of(participant: Participant) -> Waiting | None:
    """Return since when somebody waits, or None."""
    return Waiting.objects.filter(participant=participant, ended_at=None).first()


def freed_times(study: Study, now: datetime) -> QuerySet[FreedTime]:
    """Return freed times of which something is still to come, and whose change stands."""
    return (
        FreedTime.objects.filter(study=study, last__gt=now)
        .exclude(change__undone_at__isnull=False)
        .order_by("first", "id")
    )


def access_freed(study: Study, uid: UUID) -> FreedTime:
    """Return a freed time of this study, or answer "not found"."""
    found = FreedTime.objects.filter(study=study, uid=uid).first()
    if found is None:
        raise Http404("There is no such freed time in this study.")
    return found


def access_waiting(study: Study, uid: UUID) -> Waiting:
    """Return a line of the waiting list of this study, or answer "not found"."""
    found = (
        Waiting.objects.filter(participant__study=study, uid=uid)
        .select_related("participant__study")
        .first()
    )
    if found is None:
        raise Http404("Nobody waits here.")
    return found


def fits_shown(freed: FreedTime, now: datetime) -> list[FitShown]:
    """Return everybody who waits in order of rank, with the series that the freed time gives them. Queries are constant."""
    rows = list(waiting_rows(freed.study))
    times = _still_to_come(freed, now)
    if not rows or not times:
        return [FitShown(row, place, None) for place, row in enumerate(rows, 1)]
    current, zone = current_protocol(freed.study), freed.study.timezone
    grid = Grid.covering(
        max(min(one.start for one in times) - AROUND, local_day_bounds(local_day(now, zone), zone)[0]),
        max(one.end for one in times) + AROUND,
    )  # fmt: skip
    people = [row.participant for row in rows]
    bounds = bounds_of(people, grid.start, grid.end, now=now)
    kinds = {n.kind for v in current.plan.visits for segment in v.segments for n in segment.needs}
    places = free_places(grid, kinds=kinds, at=now)
    fits = who_fits(
        [_waiter(row, bounds[row.participant_id], zone) for row in rows], times,
        plan=current.plan, grid=grid, lines=places.lines, zone=zone, now=now,
    )  # fmt: skip
    by_code = {row.participant.code: row for row in rows}
    return [
        FitShown(
            by_code[fit.key], rank,
            _card(Found(current.plan, (fit.option,), (), places), fit.key, current, zone)
            if fit.option
            else None,
        )
        for rank, fit in enumerate(fits, 1)
    ]  # fmt: skip


def _card(found: Found, code: str, current: CurrentProtocol, zone: str) -> OptionShown:
    (card,) = option_cards(found, version=current.version, about=code, zone=zone)
    return replace(card, reasons=())


def _still_to_come(freed: FreedTime, now: datetime) -> list[Freed]:
    found = [
        Freed(place, datetime.fromtimestamp(start, UTC), datetime.fromtimestamp(end, UTC))
        for place, start, end in freed.places
    ]
    return [replace(one, start=max(one.start, now)) for one in found if one.end > now]


def _waiter(row: Waiting, own: Bounds, zone: str) -> Waiter:
    free: Sequence[Interval] = own.free
    if row.first_day or row.last_day:
        start = local_day_bounds(row.first_day, zone)[0] if row.first_day else row.since
        end = (
            local_day_bounds(row.last_day, zone)[1]
            if row.last_day
            else max((end for _, end in free), default=row.since) + AROUND
        )
        free = both(free, ((start, end),)) if start < end else ()
    return Waiter(
        key=row.participant.code, since=row.since, free=free, liked=own.liked,
        dose_from=own.dose_from, dose_before=own.dose_before, never=own.never,
    )  # fmt: skip


def offers_shown(study: Study, now: datetime) -> list[OfferShown]:
    """Return the newest offers with what became of each."""
    later = Series.objects.filter(
        participant=OuterRef("participant"), booked_at__gte=OuterRef("at")
    )
    rows = (
        Offer.objects.filter(participant__study=study)
        .select_related("participant", "hold", "freed", "by")
        .annotate(booked=Exists(later))
        .order_by("-id")[:OFFERS]
    )
    return [OfferShown(row, *_became(row, now)) for row in rows]


def _became(offer: Offer, now: datetime) -> tuple[str, str]:
    if offer.booked:  # type: ignore[attr-defined]
        return "ok", "booked"
    if offer.hold.until <= now:
        return "warn", "expired"
    return ("wait", "held") if offer.hold.is_active else ("info", "let go")

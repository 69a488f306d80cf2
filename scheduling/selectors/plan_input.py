"""What the planner is asked: who can be planned, what may move, and every place over the days."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, OuterRef, QuerySet

from scheduling.models import Dose, Place, PlanRun, Series, Visit
from scheduling.rules.elapsed import local_day_bounds
from scheduling.rules.openings import both
from scheduling.rules.plan_build import Candidate, build_problem
from scheduling.rules.plan_problem import PlanProblem
from scheduling.rules.timeline import Grid, PlaceIntervals
from scheduling.selectors.person_time import person_busy
from scheduling.selectors.series import readiness
from scheduling.selectors.timelines import Occupancy, free_of, occupancy
from scheduling.selectors.wishes import times_of
from screening.models import SignOff
from screening.selectors import sign_off_state, washouts_of
from screening.selectors.staff_ties import kept_away
from studylab.participants.models import Hold, Participant
from studylab.participants.selectors.acquaintances import apart_from
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of


@dataclass(frozen=True, slots=True)
class PlanInput:
    """Everything a plan is made from. `rows` stand in the order of the problem's people."""

    plan: Protocol
    problem: PlanProblem
    places: Occupancy
    rows: tuple[tuple[Participant, Series | None], ...]
    left_out: tuple[tuple[str, str], ...]


def without_series(study: Study, at: datetime) -> QuerySet[Participant]:
    """Return signed-off volunteers who have no series yet; whose sign-off ends first comes first.

    A first look in one query: whether a sign-off still stands is judged per person by `readiness`.
    """
    standing = SignOff.objects.filter(
        participant=OuterRef("pk"), decision=SignOff.Decision.ELIGIBLE, valid_until__gt=at
    )
    booked = Series.objects.filter(participant=OuterRef("pk")).exclude(state="cancelled")
    return (
        study.participants.filter(
            Exists(standing),
            ~Exists(booked),
            ~Exists(Dose.objects.filter(participant=OuterRef("pk"))),
            ~Exists(Hold.objects.filter(participant=OuterRef("pk"), released_at=None)),
            status=Participant.Status.ACTIVE,
        )
        .select_related("study", "availability")
        .annotate(valid_until=standing.order_by("-id").values("valid_until")[:1])
        .order_by("valid_until", "pk")
    )


def movable_series(study: Study, run: PlanRun) -> list[Series]:
    """Return booked series of which nothing has happened yet and that lie wholly inside the days that may move."""
    if run.movable_from is None:
        return []
    first = local_day_bounds(max(run.movable_from, run.first_day), study.timezone)[0]
    last = local_day_bounds(run.last_day, study.timezone)[1]
    rows = (
        Series.objects.filter(
            participant__study=study,
            state=Series.State.OPEN,
            protocol_version=run.protocol_version,
        )
        .select_related("participant__study", "participant__availability", "protocol_version")
        .prefetch_related("visits")
        .order_by("pk")
    )
    return [
        row
        for row in rows
        if all(
            visit.state == Visit.State.BOOKED
            and first <= visit.planned.lower
            and visit.planned.upper <= last
            for visit in row.visits.all()
        )
    ]


def plan_input(run: PlanRun, now: datetime) -> PlanInput:
    """Read everything a plan is made from."""
    study, plan = run.study, plan_of(run.protocol_version)
    zone = study.timezone
    grid = Grid.covering(
        local_day_bounds(run.first_day, zone)[0], local_day_bounds(run.last_day, zone)[1]
    )
    moving, planned = [], set[int]()
    for series in movable_series(study, run):
        if (
            not apart_from(series.participant.person_id) & planned
        ):  # one of two who know each other moves
            moving.append(series)
            planned.add(series.participant_id)
    kinds = {need.kind for visit in plan.visits for row in visit.segments for need in row.needs}
    ignoring = [visit.pk for series in moving for visit in series.visits.all()]
    places = occupancy(grid.start, grid.end, kinds=kinds, ignoring=ignoring, at=now)
    people: list[Candidate] = []
    rows: list[tuple[Participant, Series | None]] = []
    left_out: list[tuple[str, str]] = []
    for series in moving:
        stays = tuple(visit.planned.lower for visit in series.visits.all())
        people.append(_candidate(series.participant, now, grid, ignoring, stays))
        rows.append((series.participant, series))
    for who in without_series(study, now):
        ready = readiness(who, now)
        if ready.obstacles:
            left_out.append((who.code, " ".join(ready.obstacles)))
            continue
        if known := apart_from(who.person_id) & planned:
            left_out.append((who.code, _known_sentence(known)))
            continue
        planned.add(who.pk)
        people.append(_candidate(who, now, grid, (), None))
        rows.append((who, None))
    problem = build_problem(
        plan=plan, grid=grid, zone=zone, places=places.places, people=people, not_before=now
    )
    return PlanInput(plan, problem, places, tuple(rows), tuple(left_out))


def _known_sentence(known: set[int]) -> str:
    codes = Participant.objects.filter(pk__in=known).order_by("code").values_list("code", flat=True)
    return f"Is kept apart from {', '.join(codes)}, who is in this plan: is planned or booked after it was taken."


def medicines_out(who: Participant, now: datetime) -> datetime | None:
    """Return the first moment for the dose that the medicines on record allow; None when none has to be waited for."""
    waiting = washouts_of(who, now)
    return waiting[0].earliest if waiting else None


def _candidate(
    who: Participant,
    now: datetime,
    grid: Grid,
    ignoring: Sequence[int],
    stays: tuple[datetime, ...] | None,
) -> Candidate:
    times, zone = times_of(getattr(who, "availability", None)), who.study.timezone
    busy = person_busy(who.person_id, grid.start, grid.end, ignoring=ignoring)
    free = free_of(busy, grid.start, grid.end)
    state = sign_off_state(who, now)
    return Candidate(
        key=who.code,
        free=both(times.possible(zone, grid.start, grid.end), free),
        liked=both(times.liked(zone, grid.start, grid.end), free),
        dose_before=state.sign_off.valid_until if state.sign_off else None,
        dose_from=medicines_out(who, now),
        stays=stays,
        never=places_kept_from(who),
    )


def places_kept_from(who: Participant) -> tuple[int, ...]:
    """Return the places of people who are kept away from a volunteer."""
    away = kept_away(who)
    if not away:
        return ()
    return tuple(Place.objects.filter(resource__user_id__in=away).values_list("pk", flat=True))


def kinds_of(places: Mapping[str, Sequence[PlaceIntervals]]) -> list[str]:
    """Return the kinds of which there is a place, in the order of their names."""
    return sorted(kind for kind, rows in places.items() if rows)

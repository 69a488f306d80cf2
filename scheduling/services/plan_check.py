"""Judging proposals against the world as it is now, by the checker that shares nothing with the planner."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.models import PlanRow, Series, Visit
from scheduling.rules.plan_check import CheckedRow, check_plan
from scheduling.rules.search import SeriesOption
from scheduling.selectors.person_time import person_busy
from scheduling.selectors.plan_input import medicines_out, places_kept_from
from scheduling.selectors.sealed import option_from_json
from scheduling.selectors.series import readiness
from scheduling.selectors.timelines import free_of, occupancy
from screening.selectors import sign_off_state
from studylab.participants.models import Participant
from studylab.studies.rules.protocol import Protocol

MARGIN = timedelta(days=1)
CHANGED = "The booked series changed after the plan was made."


@dataclass(frozen=True, slots=True)
class Proposal:
    """One line of a plan: somebody, the series that moves or None, and the times proposed."""

    participant: Participant
    series: Series | None
    option: SeriesOption


def proposal_of(plan: Protocol, row: PlanRow) -> Proposal:
    """Return what a stored row proposes."""
    return Proposal(row.participant, row.series, option_from_json(plan, row.option))


def troubles(
    plan: Protocol, proposals: Sequence[Proposal], now: datetime
) -> dict[str, tuple[str, ...]]:
    """Return, per volunteer's code, what stands in the way of writing all these proposals together now."""
    if not proposals:
        return {}
    visits = [visit for row in proposals for visit in row.option.visits]
    start = min(visit.start for visit in visits) - MARGIN
    end = max(visit.end for visit in visits) + MARGIN
    moving = _moving(proposals)
    people = [row.participant.pk for row in proposals]
    places = occupancy(start, end, ignoring=moving, at=now, held_for=people)
    checked = [
        CheckedRow(
            key=row.participant.code,
            option=row.option,
            free=free_of(
                person_busy(row.participant.person_id, start, end, ignoring=moving), start, end
            ),
            not_before=now,
            dose_before=_sign_off_ends(row.participant, now),
            dose_from=medicines_out(row.participant, now),
            never=places_kept_from(row.participant),
        )
        for row in proposals
    ]
    found = dict(check_plan(plan=plan, rows=checked, places=places.places))
    for row in proposals:
        obstacles = _obstacles(row, now)
        if obstacles:
            found[row.participant.code] = (*obstacles, *found.get(row.participant.code, ()))
    return found


def unchanged(row: PlanRow) -> bool:
    """Whether a booked series still stands where the plan found it."""
    if row.series is None:
        return True
    now = [
        [visit.number, visit.planned.lower.isoformat()]
        for visit in row.series.visits.all()
        if visit.state == Visit.State.BOOKED
    ]
    return row.series.state == Series.State.OPEN and now == row.before


def starts_of(series: Series) -> list[list[int | str]]:
    """Return number and start of every visit of a series as plain JSON."""
    return [[visit.number, visit.planned.lower.isoformat()] for visit in series.visits.all()]


def _moving(proposals: Sequence[Proposal]) -> list[int]:
    return [
        visit.pk for row in proposals if row.series is not None for visit in row.series.visits.all()
    ]


def _sign_off_ends(who: Participant, now: datetime) -> datetime | None:
    state = sign_off_state(who, now)
    return state.sign_off.valid_until if state.sign_off else None


def _obstacles(row: Proposal, now: datetime) -> tuple[str, ...]:
    if row.series is None:
        return readiness(row.participant, now).obstacles
    state = sign_off_state(row.participant, now)
    return () if state.eligible else (f"There is no current eligible sign-off. {state.why}",)


Troubles = Mapping[str, tuple[str, ...]]

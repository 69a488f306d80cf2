"""Other times for a volunteer's own visit: a live search inside what the study allows."""

from datetime import UTC, datetime

from scheduling.models import MoveProposal, Visit
from scheduling.rules.search import SeriesOption
from scheduling.selectors.options import MANY, move_options, moved_visits
from scheduling.selectors.searching import Wishes
from screening.selectors import sign_off_state

HANDFUL = 5


def own_options(visit: Visit, wishes: Wishes, now: datetime) -> list[SeriesOption]:
    """Return at most a handful of other times: of this visit alone, else together with the visits after it.

    The same search and the same fences as for staff: visits that took place bind the window of those to come.
    """
    before = _dose_before(visit, now)
    several = len(moved_visits(visit, followers=True)) > 1
    for followers in (False, True) if several else (False,):
        found = move_options(
            visit=visit, followers=followers, wishes=wishes, now=now, dose_before=before,
            limit=HANDFUL + 1,
        )  # fmt: skip
        other = [one for one in found.options if one.visits[0].start != visit.planned.lower]
        if other:
            return other[:HANDFUL]
    return []


def free_again(proposal: MoveProposal, now: datetime) -> SeriesOption | None:
    """Return the times that a volunteer asked for as they can be had now, in whatever rooms; None when they cannot.

    For a proposal whose hold has lapsed: the same search as for staff, at exactly these times.
    """
    visit, zone = proposal.visit, proposal.participant.study.zone
    asked = [(row[0], datetime.fromtimestamp(row[1], UTC)) for row in proposal.hold.option]
    days = [start.astimezone(zone).date() for _, start in asked]
    found = move_options(
        visit=visit, followers=len(asked) > 1, wishes=Wishes(first_day=min(days), last_day=max(days)),
        now=now, dose_before=_dose_before(visit, now), start=proposal.new_start, limit=MANY,
    )  # fmt: skip
    for one in found.options:
        if [(row.number, row.start) for row in one.visits] == asked:
            return one
    return None


def _dose_before(visit: Visit, now: datetime) -> datetime | None:
    state = sign_off_state(visit.participant, now)
    return state.sign_off.valid_until if state.eligible and state.sign_off else None

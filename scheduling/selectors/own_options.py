"""Other times for a volunteer's own visit: a live search inside what the study allows."""

from datetime import datetime

from scheduling.models import Visit
from scheduling.rules.search import SeriesOption
from scheduling.selectors.options import move_options, moved_visits
from scheduling.selectors.searching import Wishes
from screening.selectors import sign_off_state

HANDFUL = 5


def own_options(visit: Visit, wishes: Wishes, now: datetime) -> list[SeriesOption]:
    """Return at most a handful of other times: of this visit alone, else together with the visits after it.

    The same search and the same fences as for staff: visits that took place bind the window of those to come.
    """
    state = sign_off_state(visit.participant, now)
    before = state.sign_off.valid_until if state.eligible and state.sign_off else None
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

"""One time that somebody points at for a visit: the option that begins then, or why there is none."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.models import Resource, Series, Visit
from scheduling.rules.elapsed import local_day
from scheduling.rules.search import SeriesOption
from scheduling.selectors.options import Wishes, Within, move_options, moved_visits
from screening.selectors import sign_off_state

FOLLOWING = timedelta(days=21)  # how far later visits of the series are looked for


@dataclass(frozen=True, slots=True)
class FoundAt:
    """The option at a time, or the reasons why there is none. `elsewhere`: found, but not at what was asked for."""

    option: SeriesOption | None
    why: tuple[str, ...] = ()
    elsewhere: bool = False


def option_at(visit: Visit, at: datetime, now: datetime, wanted: Resource | None = None) -> FoundAt:
    """Return how a visit could begin at `at`: alone, or else with the visits after it.

    With `wanted`, at that room (person, thing) where that can be, else at another of its kind. Checks and
    places are those of the page of other times.
    """
    if (
        visit.state not in (Visit.State.BOOKED, Visit.State.MISSED)
        or visit.series.state != Series.State.OPEN
    ):
        return FoundAt(None, (f"It is {visit.get_state_display()}.",))
    if at <= now:
        return FoundAt(None, ("That time has passed.",))
    state = sign_off_state(visit.participant, now)
    before = state.sign_off.valid_until if state.eligible and state.sign_off else None
    day = local_day(at, visit.participant.study.timezone)
    why: tuple[str, ...] = ()
    several = len(moved_visits(visit, followers=True)) > 1
    asked = Within(wanted.kind, wanted.pk) if wanted is not None else None
    for within in dict.fromkeys((asked, None)):
        for followers in (False, True) if several else (False,):
            found = move_options(
                visit=visit, followers=followers, now=now, dose_before=before, start=at, within=within,
                wishes=Wishes(day, day + FOLLOWING if followers else day),
            )  # fmt: skip
            if found.options:
                return FoundAt(found.options[0], elsewhere=within != asked)
            why = found.why_none if within is None and not followers else why or found.why_none
    return FoundAt(None, why)

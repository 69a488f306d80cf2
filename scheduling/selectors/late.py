"""What can still be kept when somebody comes late or does not come."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.models import AfterContact, Talk, Visit
from scheduling.rules.gaps import part_of, start_window
from scheduling.rules.ladder import Rung, next_rung
from scheduling.rules.missed import consequences
from scheduling.rules.repair import nearest_times
from scheduling.selectors.absent import was_dosed
from scheduling.selectors.cards import VisitShown, option_rows
from scheduling.selectors.repair_input import case_of
from scheduling.selectors.sealed import seal_option
from scheduling.selectors.series import gaps_shown, real_anchors
from scheduling.selectors.timelines import occupancy
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of

FIVE = 300  # seconds of the grid


@dataclass(frozen=True, slots=True)
class LateShown:
    """The way to begin now: its token and rows, or why there is none."""

    token: str
    rows: list[VisitShown]
    why_none: tuple[str, ...]
    stays: list[str]


@dataclass(frozen=True, slots=True)
class Looked:
    """Tries to reach somebody who did not come, and whom to try next."""

    talks: list[Talk]
    rung: Rung
    overdue: bool


def late_shown(visit: Visit, now: datetime) -> LateShown:
    """Return how the visit can begin at the next five minutes, later visits moved with it where that must be."""
    version, zone = visit.series.protocol_version, visit.participant.study.timezone
    plan, start = plan_of(version), next_five(now)
    case, board = case_of(visit.series, now, {visit.number})
    option, why = nearest_times(case, board, zone=zone, now=now, at=start)
    if option is None:
        return LateShown("", [], why, [])
    starts = {row.number: row.start for row in case.visits}
    starts |= {row.number: row.start for row in option.visits}
    gaps = gaps_shown(plan, starts, zone)
    places = occupancy(option.visits[0].start, option.visits[-1].end)
    moved = [row.number for row in option.visits]
    rows = option_rows(part_of(plan, moved), option, places, gaps)
    stays = [
        f"Visit {gap.visit} stays as booked: {gap.words}." for gap in gaps if gap.visit not in moved
    ]
    return LateShown(seal_option(option, version=version, about=str(visit.uid)), rows, (), stays)


def next_five(now: datetime) -> datetime:
    """Return the next whole five minutes, or this instant when it is one."""
    ahead = -int(now.timestamp()) % FIVE
    return now.replace(microsecond=0) + timedelta(seconds=ahead)


def missed_means(visit: Visit, now: datetime) -> list[str]:
    """Say what recording a visit as missed does."""
    series, plan = visit.series, plan_of(visit.series.protocol_version)
    key = plan.visit(visit.number).key
    anchors = {k: at for k, at in real_anchors(series).items() if not k.startswith(f"{key}.")}
    earlier = {k: at for k, at in anchors.items() if _number(plan, k) < visit.number}
    later = [
        row.number for row in series.visits.all()
        if row.number > visit.number and row.state == Visit.State.BOOKED
    ]  # fmt: skip
    return list(
        consequences(
            plan, visit.number, dosed=was_dosed(series), later=later,
            window_ends=start_window(plan, visit.number, earlier)[1], now=now,
        )
    )  # fmt: skip


def looked_for(visit: Visit, plan: Protocol, now: datetime) -> Looked:
    """Return who tried to reach the volunteer since the visit should have begun, and the next to try."""
    since = visit.planned.lower
    talks = list(
        visit.talks.filter(kind=Talk.Kind.ABSENT, at__gte=since).select_related("recorded_by")
    )
    contacts = AfterContact.objects.filter(
        participant=visit.participant_id, at__gte=since, reached=False
    )
    failed = [row.at for row in talks if not row.reached] + [row.at for row in contacts]
    rung = next_rung(plan.follow_up, sorted(failed), since)
    return Looked(talks, rung, rung.overdue(now) and not any(row.reached for row in talks))


def _number(plan: Protocol, anchor: str) -> int:
    return next(row.number for row in plan.visits if anchor.startswith(f"{row.key}."))

"""Searching for series and moves."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from scheduling.models import Series, Visit
from scheduling.rules.availability import Times
from scheduling.rules.fences import Fence
from scheduling.rules.gaps import part_of, start_window
from scheduling.rules.reasons import missed_wishes
from scheduling.rules.search import SeriesOption
from scheduling.rules.spacing import planned_anchors
from scheduling.selectors.searching import EXPERIMENTER, Found, Wishes, Within, search
from scheduling.selectors.series import real_anchors
from scheduling.selectors.wishes import availability_of, times_of
from screening.selectors import washouts_of
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of

__all__ = [
    "EXPERIMENTER",
    "Found",
    "Wishes",
    "Within",
    "move_options",
    "moved_visits",
    "series_options",
]

MANY = 200
FAR = datetime(2200, 1, 1, tzinfo=UTC)
DOSE_FENCE = "time for the dose before the sign-off ends"
WASHOUT_FENCE = "time for the dose after the time that a medicine needs"
ASKED_FENCE = "the time asked for"
SPACING_FENCE = "time inside the spacing to the visits that stay"


def series_options(
    *,
    participant: Participant,
    version: ProtocolVersion,
    wishes: Wishes,
    now: datetime,
    dose_before: datetime,
    limit: int = 12,
) -> Found:
    """Find whole series for a volunteer whose dose must come before `dose_before`.

    It also comes after the time that the medicines on record need.
    """
    plan = plan_of(version)
    fences = list(_dose_fences(plan, participant, now, dose_before))
    return search(
        plan=plan, participant=participant, wishes=wishes, now=now, fences=fences, limit=limit
    )


def _dose_fences(
    plan: Protocol, participant: Participant, now: datetime, before: datetime | None
) -> Iterator[Fence]:
    dosing = plan.dosing_visit
    segment = next(step.segment for step in dosing.steps if step.kind == "dose")
    if before is not None:
        yield Fence(DOSE_FENCE, dosing.number, segment, now, before - timedelta(seconds=1))
    waiting = washouts_of(participant, now)
    if waiting:
        yield Fence(WASHOUT_FENCE, dosing.number, segment, waiting[0].earliest, FAR)


def move_options(
    *,
    visit: Visit,
    followers: bool,
    wishes: Wishes,
    now: datetime,
    dose_before: datetime | None = None,
    start: datetime | None = None,
    within: Within | None = None,
    limit: int = 12,
) -> Found:
    """Find other times for a visit: alone, or with the later visits of its series; with `start`, at that time.

    With `within`, everything that the moved visits need of that kind is that one resource.

    Visits that stay bound the start, counted from when they really happened where that is known. A dose
    among the moved visits comes before `dose_before`, and after the time that the medicines on record need.
    """
    plan = plan_of(visit.series.protocol_version)
    moved = moved_visits(visit, followers=followers)
    numbers = [row.number for row in moved]
    anchors = {
        name: at
        for name, at in real_anchors(visit.series).items()
        if not any(name.startswith(f"{plan.visit(number).key}.") for number in numbers)
    }
    part = part_of(plan, numbers)
    fences: list[Fence] = []
    if plan.dosing_visit.number in numbers:
        fences += _dose_fences(plan, visit.participant, now, dose_before)
    for number in numbers:
        earliest, latest = _between_neighbours(visit.series, plan, number, numbers)
        low, high = start_window(plan, number, anchors)
        if start is not None and number == visit.number:
            first = plan.visit(number).segments[0].key
            fences.append(Fence(ASKED_FENCE, number, first, start, start))
        fences.append(
            Fence(
                _fence_name(number, numbers),
                number,
                plan.visit(number).segments[0].key,
                max(earliest, low) if low else earliest,
                min(latest, high) if high else latest,
            )
        )
    ignoring = [row.pk for row in moved]
    # A whole series may go anywhere, so its days are kept varied; what is bound to visits that stay has
    # few choices, and the best of all of them are wanted.
    per_day = 4 if len(moved) == len(plan.visits) else None
    if wishes.times == Times():
        wishes = replace(wishes, times=times_of(availability_of(visit.participant)))
    found = search(
        plan=part, participant=visit.participant, wishes=wishes, now=now, fences=fences,
        ignoring=ignoring, limit=MANY, per_day=per_day, within=within,
    )  # fmt: skip
    nearest = sorted(
        found.options,
        key=lambda option: (
            *missed_wishes(option, found.asked),
            _off_target(plan, option, anchors),
        ),
    )
    return replace(found, options=tuple(nearest[:limit]))


def _off_target(plan: Protocol, option: SeriesOption, anchors: Mapping[str, datetime]) -> timedelta:
    """Return by how much an option misses the targets of the protocol, visits that stay included."""
    known = dict(anchors) | planned_anchors(plan, {row.number: row.start for row in option.visits})
    return sum(
        (
            abs(known[rule.end] - known[rule.start] - rule.target)
            for rule in plan.spacings
            if rule.start in known and rule.end in known
        ),
        timedelta(0),
    )


def moved_visits(visit: Visit, *, followers: bool) -> list[Visit]:
    """Return the visits a move touches, in order: the visit, and later ones to come when they follow.

    In an open series a cancelled visit waits for the time of one before it that was missed.
    """
    to_come = (Visit.State.BOOKED, Visit.State.CANCELLED)
    later = [
        row
        for row in visit.series.visits.all()
        if row.number > visit.number and row.state in to_come
    ]
    return [visit, *later] if followers else [visit]


def _fence_name(number: int, numbers: Sequence[int]) -> str:
    return SPACING_FENCE if len(numbers) == 1 else f"{SPACING_FENCE} (visit {number})"


def _between_neighbours(
    series: Series, plan: Protocol, number: int, moved: Sequence[int]
) -> tuple[datetime, datetime]:
    """Return the starts that keep a visit after the end of earlier and before the start of later visits."""
    earliest, latest = datetime(2000, 1, 1, tzinfo=UTC), FAR
    length = timedelta(minutes=plan.visit(number).minutes)
    for row in series.visits.all():
        if row.number in moved or row.state in (Visit.State.CANCELLED, Visit.State.MISSED):
            continue
        if row.number < number:
            earliest = max(earliest, row.ended_at or row.planned.upper)
        elif row.number > number:
            latest = min(latest, row.planned.lower - length)
    return earliest, latest

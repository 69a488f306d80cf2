"""An independent second look at a whole plan before anything of it is written.

Works on instants and intervals and shares no computation with the planner: no grid, no bitsets, no solver.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from scheduling.rules.search_check import PlaceUse, place_uses, verify_option
from scheduling.rules.series import SeriesOption
from scheduling.rules.spacing import planned_anchors
from scheduling.rules.timeline import Interval, PlaceId, PlaceIntervals
from studylab.studies.rules.protocol import Protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedRow:
    """One volunteer's series in a plan, with what holds for them now. Instants carry a zone.

    `free` are the volunteer's own times; `dose_before` is when the sign-off ends, `dose_from` when the last
    medicine is out. Places in `never` must not serve them.
    """

    key: str
    option: SeriesOption
    free: Sequence[Interval]
    not_before: datetime
    dose_before: datetime | None
    dose_from: datetime | None = None
    never: Sequence[PlaceId] = ()


def check_plan(
    *,
    plan: Protocol,
    rows: Sequence[CheckedRow],
    places: Mapping[str, Sequence[PlaceIntervals]],
) -> dict[str, tuple[str, ...]]:
    """Return, per volunteer, everything wrong with a plan as sentences; empty when it may be written.

    `places` hold open and busy times without the visits that the plan itself moves.
    """
    found: dict[str, list[str]] = defaultdict(list)
    for key, count in Counter(row.key for row in rows).items():
        if count > 1:
            found[key].append("The plan holds this volunteer more than once.")
    for row in rows:
        found[row.key] += verify_option(
            plan=plan,
            option=row.option,
            places={
                kind: [place for place in those if place.place_id not in row.never]
                for kind, those in places.items()
            },
            person_free=row.free,
            not_before=row.not_before,
        )
        found[row.key] += _dose(plan, row)
    for key, sentence in _shared_places(plan, rows):
        found[key].append(sentence)
    return {key: tuple(said) for key, said in found.items() if said}


def _dose(plan: Protocol, row: CheckedRow) -> Iterator[str]:
    anchors = planned_anchors(plan, {visit.number: visit.start for visit in row.option.visits})
    dose = anchors.get(f"{plan.dosing_visit.key}.dose")
    if row.dose_before is not None and dose is not None and dose >= row.dose_before:
        yield "The sign-off ends before the dose would be given."
    if row.dose_from is not None and dose is not None and dose < row.dose_from:
        yield "A medicine on record needs more time before the dose."


def _shared_places(plan: Protocol, rows: Sequence[CheckedRow]) -> Iterator[tuple[str, str]]:
    """Yield both volunteers wherever one place would serve two at once, turnaround included."""
    uses: dict[object, list[tuple[datetime, PlaceUse, str]]] = defaultdict(list)
    for row in rows:
        for visit in row.option.visits:
            for use in place_uses(visit, plan.turnaround):
                uses[use.place_id].append((use.start, use, row.key))
    for taken in uses.values():
        taken.sort(key=lambda entry: (entry[0], entry[1].held_until, entry[2]))
        latest = taken[0]
        for before, after in pairwise(taken):
            latest = max(latest, before, key=lambda entry: entry[1].held_until)
            if after[0] < latest[1].held_until and after[2] != latest[2]:
                what = f"{after[1].kind} {after[1].place_id} would serve"
                yield after[2], f"{what} {latest[2]} at the same time."
                yield latest[2], f"{what} {after[2]} at the same time."

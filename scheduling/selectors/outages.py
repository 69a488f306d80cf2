"""Who and what can be said to be away, and the proposals to repair what that hits."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from scheduling.models import Resource
from scheduling.rules.gaps import part_of
from scheduling.rules.repair import Repair, repairs
from scheduling.rules.series import SeriesOption
from scheduling.selectors.cards import VisitShown, option_rows
from scheduling.selectors.repair_input import Hit, RepairInput, repair_input
from scheduling.selectors.sealed import seal_option
from scheduling.selectors.series import gaps_shown
from scheduling.selectors.timelines import Occupancy
from studylab.studies.models import Study

LAB = "lab"


@dataclass(frozen=True, slots=True)
class RepairShown:
    """One series: what is lost, its visits before and after, and the token that carries the proposal."""

    uid: UUID
    number: int
    code: str
    kind: str
    lost: tuple[str, ...]
    before: list[VisitShown]
    after: list[VisitShown]
    token: str
    why: tuple[str, ...]

    @property
    def pairs(self) -> list[tuple[VisitShown, VisitShown]]:
        """Each visit that changes, before and after."""
        return [(old, new) for old, new in zip(self.before, self.after, strict=True) if old != new]


def outage_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Return everything that can be away, grouped: people, rooms and things, everything of a kind."""
    rows = list(
        Resource.objects.filter(is_active=True).select_related("user").order_by("kind", "name")
    )
    people = {row.user_id: row.user.name for row in rows if row.user is not None}
    things = [(f"one:{row.uid}", f"{row.name} ({row.kind})") for row in rows if row.user is None]
    kinds = dict.fromkeys(row.kind for row in rows)
    return [
        ("People", [(f"user:{pk}", name) for pk, name in sorted(people.items(), key=lambda p: p[1])]),
        ("Rooms and things", things),
        ("All at once", [*((f"kind:{kind}", f"all: {kind}") for kind in kinds), (LAB, "the whole lab")]),
    ]  # fmt: skip


def outage_resources(what: str) -> tuple[list[Resource], str]:
    """Return the resources behind a choice, none for the whole lab, and what they are called together."""
    sort, _, key = what.partition(":")
    if sort == LAB:
        return [], "The whole lab"
    field: dict[str, dict[str, Any]] = {
        "user": {"user_id": key}, "one": {"uid": key}, "kind": {"kind": key},
    }  # fmt: skip
    rows = list(Resource.objects.filter(is_active=True, **field[sort]).select_related("user"))
    names = {"user": rows[0].user.name if rows and rows[0].user else "", "kind": key}
    return rows, names.get(sort) or rows[0].name


def hit_count(study: Study, now: datetime) -> int:
    """Return how many series have a visit on something that is not open."""
    return len(repair_input(study, now).hits)


def repairs_shown(study: Study, now: datetime) -> list[RepairShown]:
    """Return what is hit with a repair for all of it: same time first, then moves, then who needs a call."""
    found = repair_input(study, now)
    if found.board is None or found.places is None or not found.hits:
        return []
    proposed = repairs([hit.case for hit in found.hits], found.board, zone=study.timezone, now=now)
    rows = [
        _shown(hit, repair, found, study) for hit, repair in zip(found.hits, proposed, strict=True)
    ]
    order = {"place": 0, "time": 1, "call": 2}
    return sorted(rows, key=lambda row: (order[row.kind], row.before[0].start, row.code))


def _shown(hit: Hit, repair: Repair, found: RepairInput, study: Study) -> RepairShown:
    assert found.places is not None
    series = hit.series
    numbers = (
        [row.number for row in repair.option.visits] if repair.option else sorted(hit.case.hit)
    )
    first = hit.visit(numbers[0])
    current = tuple(row for row in hit.case.visits if row.number in numbers)
    token, after = "", list[VisitShown]()
    if repair.option is not None:
        token = seal_option(repair.option, version=series.protocol_version, about=str(first.uid))
        after = _rows(hit, repair.option, found.places, study)
    names = dict.fromkeys(name for those in hit.lost.values() for name in those)
    return RepairShown(
        uid=first.uid, number=first.number, code=hit.case.key, kind=repair.kind, lost=tuple(names),
        before=_rows(hit, SeriesOption(current, 0), found.places, study), after=after,
        token=token, why=repair.why,
    )  # fmt: skip


def _rows(hit: Hit, option: SeriesOption, places: Occupancy, study: Study) -> list[VisitShown]:
    plan = hit.case.plan
    starts = {
        row.number: row.planned.lower for row in hit.series.visits.all() if row.state != "cancelled"
    }
    starts |= {row.number: row.start for row in option.visits}
    numbers: Sequence[int] = [row.number for row in option.visits]
    gaps = gaps_shown(plan, starts, study.timezone)
    return option_rows(part_of(plan, numbers), option, places, gaps)

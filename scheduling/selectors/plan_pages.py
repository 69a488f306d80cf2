"""Plans as pages show them: how far one is, and what would be different."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from scheduling.models import PlanRow, PlanRun
from scheduling.selectors.cards import VisitShown, option_rows
from scheduling.selectors.sealed import option_from_json
from scheduling.selectors.series import gaps_shown
from scheduling.selectors.timelines import occupancy
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of

CROWD = 400  # volunteers who can always come, for "what if"
STATE_KINDS = {"waiting": "wait", "running": "wait", "ready": "ok", "stopped": "warn", "failed": "stop"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RowShown:
    """One line of differences: who, before (none for a new series), after, and what stands in the way now."""

    uid: UUID
    code: str
    before: list[datetime]
    visits: list[VisitShown]
    state: str
    troubles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One change that was tried: series that fit, people per week, and how many more a week than as it is."""

    name: str
    fit: int
    bound: int | None
    per_week: float
    more: float


def runs_of(study: Study) -> QuerySet[PlanRun]:
    """Return the plans of a study, newest first."""
    return study.plan_runs.select_related("asked_by", "decided_by", "study", "protocol_version")


def access_run(study: Study, uid: UUID) -> PlanRun:
    """Return a plan of this study, or answer "not found"."""
    run = runs_of(study).filter(uid=uid).first()
    if run is None:
        raise Http404("There is no such plan in this study.")
    return run


def state_kind(run: PlanRun) -> str:
    """Return the kind of shape beside the state of a run."""
    return STATE_KINDS[run.state]


def gap(run: PlanRun) -> float | None:
    """Return how far the plan is from the proved bound, in per cent of what is placed; None while unknown."""
    if run.bound is None or not run.placed:
        return None
    return 100 * (run.bound - run.placed) / run.placed


def rows_shown(run: PlanRun, troubles: Mapping[str, tuple[str, ...]]) -> list[RowShown]:
    """Return the lines of a plan, new series first, in the order of their first visits."""
    plan, zone = plan_of(run.protocol_version), run.study.timezone
    rows = list(run.rows.select_related("participant"))
    options = {row.pk: option_from_json(plan, row.option) for row in rows}
    if not rows:
        return []
    starts = [option.visits[0].start for option in options.values()]
    ends = [option.visits[-1].end for option in options.values()]
    places = occupancy(min(starts), max(ends))
    rows.sort(key=lambda row: (row.series_id is not None, options[row.pk].visits[0].start))
    shown = []
    for row in rows:
        option = options[row.pk]
        gaps = gaps_shown(plan, {visit.number: visit.start for visit in option.visits}, zone)
        shown.append(
            RowShown(
                uid=row.uid,
                code=row.participant.code,
                before=[datetime.fromisoformat(at) for _, at in row.before],
                visits=option_rows(plan, option, places, gaps),
                state=PlanRow.State(row.state).label if run.decided_at else "",
                troubles=troubles.get(row.participant.code, ()),
            )
        )
    return shown


def what_if_shown(run: PlanRun) -> list[WhatIf]:
    """Return the answers of a "what if", as it is first, then what helps most."""
    weeks = ((run.last_day - run.first_day).days + 1) / 7
    if not run.answer:
        return []
    base = run.answer[0]
    rows = [
        WhatIf(
            name=row["name"],
            fit=row["fit"],
            bound=row["bound"] if row["bound"] < CROWD else None,
            per_week=row["fit"] / weeks,
            more=(row["fit"] - base["fit"]) / weeks,
        )
        for row in run.answer
    ]
    return [rows[0], *sorted(rows[1:], key=lambda row: -row.fit)]

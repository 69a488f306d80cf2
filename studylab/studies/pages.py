"""What the set-up pages show, put together from protocol versions and people."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.urls import reverse

from studylab.access import Actor
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.limits_rows import (
    PRE_DOSE,
    SCREENING,
    band_rows,
    limit_rows,
)
from studylab.studies.rules.protocol import AllocationPlan, Protocol
from studylab.studies.rules.readiness import Ready
from studylab.studies.rules.timeline import WIDTH, day_bars, visit_lines
from studylab.studies.selectors import (
    confirmation_void,
    plan_of,
)

_POINTS = {"start": "start", "end": "end", "dose": "dose"}


@dataclass(frozen=True, slots=True)
class ReadyShown:
    """A line of what is ready; `url` is empty for whoever does not bring it."""

    line: Ready
    url: str


def ready_shown(study: Study, actor: Actor, lines: Iterable[Ready]) -> list[ReadyShown]:
    """Return the lines with the address of their page, for who may open it."""
    return [
        ReadyShown(
            line,
            reverse(line.page, kwargs={"study": study.slug, **line.where})
            if actor.may(line.cap)
            else "",
        )
        for line in lines
    ]


def version_page(version: ProtocolVersion, *, blocks: bool) -> dict[str, Any]:
    """Return the context of a version's page. Block sizes are left out unless `blocks`."""
    return {
        "version": version,
        "void": confirmation_void(version),
        **plan_page(plan_of(version), blocks=blocks),
    }


def plan_page(plan: Protocol, *, blocks: bool) -> dict[str, Any]:
    """Return what a document says, in readable form."""
    limits = plan.limits
    return {
        "plan": plan,
        "visit_lines": visit_lines(plan),
        "day_bars": day_bars(plan),
        "line_width": int(WIDTH),
        "spacings": _spacings(plan),
        "waits": _waits(plan),
        "gates": [
            (SCREENING, band_rows(limits.screening)),
            (PRE_DOSE, band_rows(limits.pre_dose)),
        ],
        "limit_groups": [
            (group, list(rows))
            for group, rows in groupby(limit_rows(limits), key=lambda row: row.group)
            if group not in (SCREENING, PRE_DOSE)
        ],
        "allocation": _allocation(plan.allocation, blocks=blocks),
        "payment": sum(visit.payment for visit in plan.visits),
    }


def _allocation(plan: AllocationPlan, *, blocks: bool) -> dict[str, Any]:
    ratio = " : ".join(str(arm.ratio) for arm in plan.arms)
    facts = [
        ("Treatments", ", ".join(arm.name for arm in plan.arms)),
        ("Ratio", ratio),
        ("Numbers on the list", plan.length),
        *(
            (f"Balanced openly: {factor.name}", ", ".join(factor.levels))
            for factor in plan.open_factors
        ),
        *((f"Separately for {name}", ", ".join(values)) for name, values in plan.strata.items()),
    ]
    if plan.method:
        facts.append(("Method", plan.method.replace("_", " ")))
    if blocks and plan.block_sizes:
        facts.append(("Block sizes", ", ".join(str(size) for size in plan.block_sizes)))
    return {"facts": facts}


def _spacings(plan: Protocol) -> list[dict[str, Any]]:
    return [
        {
            "start": _moment(plan, spacing.start),
            "end": _moment(plan, spacing.end),
            "hours": [
                span.total_seconds() / 3600
                for span in (spacing.earliest, spacing.target, spacing.latest)
            ],
        }
        for spacing in plan.spacings
    ]


def _moment(plan: Protocol, anchor: str) -> str:
    key, _, point = anchor.partition(".")
    number = next(visit.number for visit in plan.visits if visit.key == key)
    return f"{_POINTS[point]} of visit {number}"


def _waits(plan: Protocol) -> list[dict[str, Any]]:
    rows = []
    for wait in plan.waits:
        visit = next(visit for visit in plan.visits if visit.key == wait.visit)
        rows.append(
            {
                "visit": visit.number,
                "after": visit.step(wait.after).text,
                "before": visit.step(wait.before).text,
                "minutes": wait.length.total_seconds() / 60,
                "tolerance": wait.tolerance.total_seconds() / 60,
            }
        )
    return rows

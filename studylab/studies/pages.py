"""What the set-up pages show, put together from protocol versions and people."""

from dataclasses import dataclass
from itertools import groupby
from typing import Any

from studylab.access import ROLE_NAMES, Role
from studylab.people.selectors import membership_state, memberships_of_study, today_in
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.limits_rows import (
    PRE_DOSE,
    SCREENING,
    band_rows,
    limit_rows,
)
from studylab.studies.rules.protocol import AllocationPlan, Protocol
from studylab.studies.rules.timeline import WIDTH, day_bars, visit_lines
from studylab.studies.selectors import (
    confirmation_void,
    current_protocol,
    newest_version,
    plan_of,
)

# Roles without which a study cannot run; a monitor may come later.
_NEEDED = [role for role in Role if role is not Role.MONITOR]
_POINTS = {"start": "start", "end": "end", "dose": "dose"}


@dataclass(frozen=True, slots=True)
class ReadyRow:
    """One thing a study needs: `kind` is ok, wait or warn; `link` names a page of the study, with `number`."""

    name: str
    kind: str
    word: str
    text: str
    link: str = ""
    number: int | None = None


def ready_rows(study: Study) -> list[ReadyRow]:
    """Return what is ready and what is missing, in the order in which it is set up."""
    return [*_protocol_rows(study), *_people_rows(study)]


def _protocol_rows(study: Study) -> list[ReadyRow]:
    newest = newest_version(study)
    if newest is None:
        return [
            ReadyRow("Protocol", "warn", "missing", "No protocol document yet.", "protocol_add")
        ]
    now = current_protocol(study)
    number = now.version.number
    rows = [
        ReadyRow(
            "Protocol", "ok", f"version {newest.number}", plan_of(newest).title,
            "protocol_version", newest.number,
        )
    ]  # fmt: skip
    if not now.confirmed:
        text = "No limits are confirmed, so no dose can be given. The supervising physician confirms them."
        rows.append(
            ReadyRow("Limits", "warn", "not confirmed", text, "protocol_version", newest.number)
        )
    elif newest.number != number:
        text = f"Version {number} stays in force until version {newest.number} is confirmed."
        rows.append(
            ReadyRow("Limits", "wait", "new ones wait", text, "protocol_version", newest.number)
        )
    else:
        text = f"Confirmed for version {number}."
        rows.append(ReadyRow("Limits", "ok", "confirmed", text, "protocol_version", number))
    return rows


def _people_rows(study: Study) -> list[ReadyRow]:
    today = today_in(study.timezone)
    names: dict[str, list[str]] = {}
    for membership in memberships_of_study(study):
        if membership_state(membership, today) == "current" and membership.user.is_active:
            names.setdefault(membership.role, []).append(membership.user.name)
    rows = []
    for role in Role:
        held = names.get(role.value, [])
        if held:
            rows.append(ReadyRow(ROLE_NAMES[role], "ok", str(len(held)), ", ".join(held), "people"))
        elif role in _NEEDED:
            rows.append(
                ReadyRow(
                    ROLE_NAMES[role], "warn", "nobody", "Nobody has this role today.", "people"
                )
            )
        else:
            rows.append(
                ReadyRow(ROLE_NAMES[role], "info", "nobody", "May be given later.", "people")
            )
    return rows


def version_page(version: ProtocolVersion, *, blocks: bool) -> dict[str, Any]:
    """Return the context of a version's page. Block sizes are left out unless `blocks`."""
    plan = plan_of(version)
    limits = plan.limits
    return {
        "version": version,
        "plan": plan,
        "void": confirmation_void(version),
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

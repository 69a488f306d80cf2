"""Checks as pages show them: which are asked for, how each stands, and every one that was taken."""

from dataclasses import dataclass
from typing import TypeGuard
from uuid import UUID

from django.urls import reverse

from screening.models import Check
from screening.rules.checks import NAMES, CheckResult
from screening.selectors.checks import (
    asked_at,
    check_results,
    kind_of,
    result_of,
    standing_checks,
)
from screening.selectors.inputs import current_inputs
from studylab.participants.models import Participant
from studylab.studies.rules.protocol import CheckKind, Limits

STATES = {
    None: ("wait", "not done"),
    "pass": ("ok", "fine"),
    "undecided": ("wait", "does not count yet"),
    "physician": ("warn", "physician decides"),
    "hold": ("wait", "hold"),
    "exclude": ("stop", "excludes"),
}


@dataclass(frozen=True, slots=True)
class TakenCheck:
    """One check with what it came to by the limits that rule now."""

    check: Check
    result: CheckResult
    state: tuple[str, str]


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One kind of check at a gate: whether it is asked for, what all of them come to, and where to do it."""

    kind: CheckKind
    name: str
    asked: bool
    state: tuple[str, str]
    result: CheckResult | None
    taken: list[TakenCheck]
    add_url: str


def check_lines(
    participant: Participant, gate: str, visit_uid: UUID | None, limits: Limits
) -> list[CheckLine]:
    """Return the kinds of checks that a gate asks for or that were taken there, in a fixed order."""
    checks = list(standing_checks(participant, gate, visit_uid))
    results = check_results(checks, limits)
    asked = _asked(participant, gate, limits)
    return [
        CheckLine(
            kind=kind,
            name=NAMES[kind],
            asked=kind in asked,
            state=STATES[results[kind].outcome if kind in results else None],
            result=results.get(kind),
            taken=[_taken(one, limits) for one in checks if one.kind == kind],
            add_url=add_url(participant, gate, visit_uid, kind),
        )
        for kind in NAMES
        if kind in asked or kind in results or (kind == "ecg" and gate == "screening")
    ]


def add_url(participant: Participant, gate: str, visit_uid: UUID | None, kind: str) -> str:
    """Return where a check of this kind is recorded."""
    slug, code = participant.study.slug, participant.code
    if visit_uid is None:
        return reverse("check_add", args=[slug, code, gate, kind])
    return reverse("visit_check_add", args=[slug, code, visit_uid, gate, kind])


def taken_check(check: Check, limits: Limits) -> TakenCheck:
    """Return one check with what it came to."""
    return _taken(check, limits)


def _taken(check: Check, limits: Limits) -> TakenCheck:
    result = result_of(check, limits)
    return TakenCheck(check, result, STATES[result.outcome])


def _asked(participant: Participant, gate: str, limits: Limits) -> tuple[CheckKind, ...]:
    if gate == "screening":
        measured = current_inputs(participant, gate).measured
        return measured.asked if measured else ()
    return asked_at(participant, gate, limits)


def is_kind(kind: str) -> TypeGuard[CheckKind]:
    """Whether there is a check of this name."""
    return kind in NAMES


def name_of(check: Check) -> str:
    """Return what a check is called."""
    return NAMES[kind_of(check)]

"""Reads what a study asks for besides the readings: standing test, ECG, and the checks of each gate.

Orthostatic hypotension is a fall of 20 systolic or 10 diastolic within 3 minutes of standing (Freeman 2011
consensus, numbers read in a secondary source); a study may tighten these, not loosen them.
"""

from typing import get_args

from studylab.studies.rules.limits import (
    AskedChecks,
    CheckKind,
    EcgAsked,
    EcgLimits,
    QtcFormula,
    StandingLimits,
)
from studylab.studies.rules.reader import Table

KINDS: tuple[CheckKind, ...] = get_args(CheckKind)
_DEFINED = StandingLimits()
# What every study asks: the drug is not given in pregnancy, and nobody leaves before standing up.
_MUST = {"screening": "pregnancy_test", "pre_dose": "pregnancy_test", "leave": "standing_test"}


def read_standing(limits: Table) -> StandingLimits:
    """Return the limits of the standing test, held to the published definition."""
    table = limits.table("standing")
    found = StandingLimits(
        rest_seconds=table.whole("rest_seconds", low=60, high=3600),
        tolerance_seconds=table.whole("tolerance_seconds", low=5, high=59),
        systolic_fall=table.number("systolic_fall", low=1, high=100),
        diastolic_fall=table.number("diastolic_fall", low=1, high=100),
        systolic_from=table.number("systolic_from", low=40, high=200),
        seated_systolic_fall=table.number("seated_systolic_fall", low=1, high=100),
        seated_diastolic_fall=table.number("seated_diastolic_fall", low=1, high=100),
    )
    table.close()
    for name in (
        "systolic_fall",
        "diastolic_fall",
        "seated_systolic_fall",
        "seated_diastolic_fall",
    ):
        value, most = getattr(found, name), getattr(_DEFINED, name)
        if table.readable and value > most:
            _loosened(
                table, name, f"{value:g} mmHg is more than {most:g} mmHg", f"{most:g} or less"
            )
    least = _DEFINED.systolic_from
    if table.readable and found.systolic_from < least and _clean(table, "systolic_from"):
        said = f"{found.systolic_from:g} mmHg is below {least:g} mmHg"
        _loosened(table, "systolic_from", said, f"{least:g} or more")
    return found


def read_ecg(limits: Table) -> EcgLimits:
    """Return when an ECG is asked for, and the intervals that pass."""
    table = limits.table("ecg")
    found = EcgLimits(
        asked=table.one_of("asked", get_args(EcgAsked)),
        pr_from=table.number("pr_from", low=80, high=200),
        pr_to=table.number("pr_to", low=120, high=300),
        qtc_to=table.number("qtc_to", low=350, high=550),
        qtc_formula=table.one_of("qtc_formula", get_args(QtcFormula)),
    )
    table.close()
    if table.readable and found.pr_from >= found.pr_to and _clean(table, "pr_to"):
        message = f"{found.pr_from:g} is not below pr_to ({found.pr_to:g})."
        table.wrong("pr_from", message, "Set pr_from below pr_to.")
    return found


def read_checks(limits: Table) -> AskedChecks:
    """Return which checks each gate asks for; some are asked by every study."""
    table = limits.table("checks")
    found = AskedChecks(
        screening=_kinds(table, "screening"),
        pre_dose=_kinds(table, "pre_dose"),
        leave=_kinds(table, "leave"),
    )
    table.close()
    return found


def _kinds(table: Table, gate: str) -> tuple[CheckKind, ...]:
    allowed = [kind for kind in KINDS if kind != "ecg"]
    texts = table.texts(gate, at_least=1)
    for place, text in enumerate(texts, start=1):
        if text and text not in allowed:
            message = f"“{text}” is no check of a gate."
            fix = f"Use: {', '.join(allowed)}. An ECG is asked for under limits.ecg."
            table.wrong(f"{gate}[{place}]", message, fix)
    must = _MUST[gate]
    if table.readable and _clean(table, gate) and must not in texts:
        message = f"{must} is missing: every study asks for it here."
        table.wrong(gate, message, f'Add "{must}".')
    return tuple(kind for kind in KINDS if kind in texts)


def _loosened(table: Table, name: str, said: str, fix: str) -> None:
    if _clean(table, name):
        table.wrong(name, f"{said}: a study may tighten, not loosen.", f"Set it to {fix}.")


def _clean(table: Table, name: str) -> bool:
    return table.problems.clean(table.key(name))

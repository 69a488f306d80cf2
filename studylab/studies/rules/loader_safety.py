"""Reads the safety part of a study document.

House bounds, which a study may tighten but not loosen: 24 hours for a serious event, 7 days for a fatal or
life-threatening suspected unexpected one and for a serious breach, 15 days for any other suspected unexpected one.
"""

from typing import get_args
from zoneinfo import available_timezones

from studylab.studies.rules.reader import Table, shown
from studylab.studies.rules.safety import (
    COVERS,
    HOLD_KINDS,
    BreachFrom,
    EventTerm,
    ReportRule,
    SafetyPlan,
    StoppingRule,
)

KEY = r"[a-z][a-z0-9_]*"
KEY_RULE = "Use small letters, digits and underscores, beginning with a letter."
LONGEST_HOURS = {"serious": 24, "suspected_fatal": 168, "suspected_other": 360, "always": 360, "serious_breach": 168}  # fmt: skip
NEEDED = ("serious", "suspected_fatal", "suspected_other", "serious_breach")


def read_safety(document: Table) -> SafetyPlan:
    """Return the safety part."""
    table = document.table("safety")
    plan = SafetyPlan(
        zone=table.text("authority_timezone"),
        status_hours=table.whole("status_hours", low=1, high=24),
        first_people=table.whole("first_people", low=1, high=1000),
        breach_from=table.one_of("breach_from", get_args(BreachFrom)),
        terms=tuple(_term(row) for row in table.tables("terms", at_least=1)),
        reports=tuple(_report(row) for row in table.tables("reports", at_least=1)),
        stopping=tuple(_stopping(row) for row in table.tables("stopping", at_least=1)),
    )
    table.close()
    if plan.zone and plan.zone not in available_timezones():
        message = f"{shown(plan.zone)} is not a time zone of the IANA list."
        table.wrong("authority_timezone", message, 'Use a name such as "America/Halifax".')
    _check(table, plan)
    return plan


def _term(row: Table) -> EventTerm:
    found = EventTerm(
        term=row.text("term", pattern=r"[^\n]{2,80}", rule="Use at most 80 characters."),
        system=row.text("system"),
        expected=row.flag("expected", default=False),
        always_report=row.flag("always_report", default=False),
    )
    row.close()
    return found


def _report(row: Table) -> ReportRule:
    hours = row.whole("hours", low=1, high=360) if row.has("hours") else None
    days = row.whole("days", low=1, high=15) if row.has("days") else None
    more = row.whole("follow_up_days", low=1, high=90) if row.has("follow_up_days") else None
    found = ReportRule(
        key=row.text("key", pattern=KEY, rule=KEY_RULE),
        to=row.text("to"),
        covers=row.one_of("covers", COVERS),
        hours=hours,
        days=days,
        follow_up_days=more,
        before_dose=row.flag("before_dose", default=False),
    )
    row.close()
    if (hours is None) == (days is None):
        row.wrong("hours", "Give hours or days, one of them.", "Write hours = 24 or days = 7.")
    longest = LONGEST_HOURS[found.covers]
    if (hours or 0) > longest or (days or 0) * 24 > longest:
        message = "This is later than the house allows."
        row.wrong("hours" if hours else "days", message, f"At most {longest} hours.")
    return found


def _stopping(row: Table) -> StoppingRule:
    found = StoppingRule(
        key=row.text("key", pattern=KEY, rule=KEY_RULE),
        text=row.text("text"),
        people=row.whole("people", low=1, high=1000),
        of_last=row.whole("of_last", low=1, high=100_000),
        terms=row.texts("terms", at_least=0),
        holds=row.texts("holds", at_least=0),
        grade_from=row.whole("grade_from", low=1, high=5) if row.has("grade_from") else None,
        serious=row.flag("serious", default=False),
    )
    row.close()
    if not (found.terms or found.holds or found.grade_from or found.serious):
        fix = "Give terms, holds, grade_from or serious = true."
        row.wrong("terms", "This rule counts nothing.", fix)
    if found.people > found.of_last:
        message = f"{found.people} people can never be among {found.of_last}."
        row.wrong("people", message, "Set people to of_last or less.")
    for place, kind in enumerate(found.holds, start=1):
        if kind not in HOLD_KINDS:
            fix = f"Use one of: {', '.join(HOLD_KINDS)}."
            row.wrong(f"holds[{place}]", f"{shown(kind)} is no kind of hold.", fix)
    return found


def _check(table: Table, plan: SafetyPlan) -> None:
    """Compare the parts: nothing twice, every clock the house needs, stopping terms that are listed."""
    key, problems = table.key, table.problems
    problems.unique(
        (key(f"terms[{n}].term"), t.term.casefold()) for n, t in enumerate(plan.terms, 1)
    )
    problems.unique((key(f"reports[{n}].key"), r.key) for n, r in enumerate(plan.reports, 1))
    problems.unique((key(f"stopping[{n}].key"), r.key) for n, r in enumerate(plan.stopping, 1))
    if plan.reports and problems.clean(key("reports")):
        covered = {rule.covers for rule in plan.reports}
        for wanted in NEEDED:
            if wanted not in covered:
                table.wrong("reports", f"No row covers {wanted}.", "Add a row with whom to tell.")
    if problems.clean(key("terms")):
        for place, rule in enumerate(plan.stopping, start=1):
            for name in rule.terms:
                if plan.term(name) is None:
                    message = f"{shown(name)} is not among the terms."
                    table.wrong(f"stopping[{place}].terms", message, "Add it to the terms.")

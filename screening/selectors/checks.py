"""Reading the checks besides the readings, and what they come to."""

from collections import defaultdict
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from screening.models import AnswerSet, Check, VitalSet
from screening.rules.checks import CheckResult, judge_check, pregnancy_test_applies, ruling
from screening.rules.gate_facts import CheckFact
from screening.selectors.answers import newest_answers
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.prepared import Prepared
from studylab.studies.rules.protocol import CheckKind, Limits

COULD_BE_PREGNANT = "C-32a"


def standing_checks(
    participant: Participant | int, gate: str, visit_uid: UUID | None = None
) -> QuerySet[Check]:
    """Return the checks of a gate that no correction supersedes, oldest first."""
    checks = Check.objects.filter(STANDS, participant=participant, gate=gate)
    if visit_uid is not None:
        checks = checks.filter(visit_uid=visit_uid)
    return checks.select_related("reading", "measured_by", "recorded_by").order_by("id")


CHECKS_AT_SCREENING = Prepared(lambda person: standing_checks(person, VitalSet.Gate.SCREENING))


def checks_at_screening(participant: Participant) -> list[Check]:
    """Return what `standing_checks` says of screening."""
    return CHECKS_AT_SCREENING(participant.pk)


def access_check(participant: Participant, uid: UUID) -> Check:
    """Return one of the person's checks, or answer "not found"."""
    found = (
        Check.objects.filter(participant=participant, uid=uid)
        .select_related(
            "reading__read_by", "recorded_by", "measured_by", "supersedes", "superseded_by"
        )
        .first()
    )
    if found is None:
        raise Http404("There is no such check.")
    return found


def values_of(check: Check) -> dict[str, Any]:
    """Return a check's values; those of an ECG with what the clinician read in it."""
    reading = getattr(check, "reading", None)
    return check.values | ({"conclusion": reading.conclusion} if reading else {})


def result_of(check: Check, limits: Limits) -> CheckResult:
    """Return what one check comes to by the limits that rule now."""
    return judge_check(kind_of(check), values_of(check), limits, check.taken_at)


def kind_of(check: Check) -> CheckKind:
    """Return the kind as the rules know it."""
    kind: CheckKind = check.kind  # type: ignore[assignment]  # the database holds only these words
    return kind


def check_results(checks: Iterable[Check], limits: Limits) -> dict[CheckKind, CheckResult]:
    """Return by kind what all checks of it, oldest first, come to."""
    by_kind: dict[CheckKind, list[CheckResult]] = defaultdict(list)
    for check in checks:
        by_kind[kind_of(check)].append(result_of(check, limits))
    return {kind: ruled for kind, found in by_kind.items() if (ruled := ruling(found))}


def pregnancy_test_due(answers: AnswerSet | None) -> bool:
    """Whether a pregnancy test applies to a person who gave these answers at screening."""
    given = (answers.answers.get(COULD_BE_PREGNANT) or {}) if answers else {}
    return pregnancy_test_applies(given.get("value"))


def asked_at(participant: Participant, gate: str, limits: Limits) -> tuple[CheckKind, ...]:
    """Return the checks that a gate asks of this person, apart from an ECG."""
    kinds: tuple[CheckKind, ...] = getattr(limits.checks, gate, ())
    answers = newest_answers(participant, AnswerSet.When.SCREENING)
    if "pregnancy_test" in kinds and not pregnancy_test_due(answers):
        kinds = tuple(kind for kind in kinds if kind != "pregnancy_test")
    return kinds


def check_facts(
    participant: Participant, gate: str, visit_uid: UUID, limits: Limits
) -> tuple[CheckFact, ...]:
    """Return how each check of a gate stands at a visit: those asked for, and others that do not pass."""
    results = check_results(standing_checks(participant, gate, visit_uid), limits)
    asked = asked_at(participant, gate, limits)
    return tuple(
        CheckFact(
            kind=kind,
            outcome=found.outcome if (found := results.get(kind)) else None,
            text=" ".join(found.reasons) if found else "",
        )
        for kind in dict.fromkeys((*asked, *results))
        if kind in asked or results[kind].outcome not in ("pass", "undecided")
    )


def standing_test_ok(participant: Participant, visit_uid: UUID, limits: Limits) -> bool | None:
    """Whether the standing test before leaving was passed; None while it is not done as asked."""
    found = check_results(standing_checks(participant, "leave", visit_uid), limits)
    result = found.get("standing_test")
    if result is None or result.outcome == "undecided":
        return None
    return result.outcome == "pass"

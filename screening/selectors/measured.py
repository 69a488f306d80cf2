"""All that was measured at screening, weighed together: every set, and the checks besides the readings."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any
from zoneinfo import ZoneInfo

from screening.models import AnswerSet, Check, VitalSet
from screening.rules.checks import CheckResult
from screening.rules.inputs import fields_of
from screening.rules.measured import asked_at_screening, judge_measured
from screening.rules.outcome import Finding, Missing
from screening.rules.sets import Ruling, TakenSet, screening_ruling
from screening.rules.vitals import Undecided, VitalDecision
from screening.selectors.checks import check_results, pregnancy_test_due
from screening.selectors.vitals import taken_sets
from studylab.studies.rules.protocol import CheckKind, Limits


@dataclass(frozen=True, slots=True)
class Measured:
    """The sets with what they come to together, the checks asked for, and their results by kind."""

    sets: tuple[TakenSet, ...]
    ruling: Ruling
    asked: tuple[CheckKind, ...]
    results: dict[CheckKind, CheckResult]

    def judged(self) -> tuple[list[Finding], list[Missing]]:
        """Return the findings and gaps that this adds to an assessment."""
        return judge_measured(
            asked=self.asked, results=self.results, sets=self.sets, ruling=self.ruling
        )

    def content(self) -> dict[str, Any]:
        """Return what a sign-off is bound to, besides the values of the newest set."""
        return {
            "sets": [
                {
                    "decision": _decided(one.decision),
                    "day": one.day.isoformat(),
                    "to_weigh": one.to_weigh,
                }
                for one in self.sets
            ],
            "asked": list(self.asked),
            "results": {kind: asdict(result) for kind, result in self.results.items()},
        }


def _decided(decision: VitalDecision | Undecided) -> dict[str, Any]:
    return fields_of(decision) if isinstance(decision, VitalDecision) else asdict(decision)


def measured_at_screening(
    limits: Limits,
    zone: ZoneInfo,
    vital_sets: Sequence[VitalSet],
    checks: Sequence[Check],
    answers: AnswerSet | None,
) -> Measured:
    """Return what a person's rows at screening come to; sets and checks stand and are oldest first."""
    sets = taken_sets(vital_sets, limits, zone)
    ruling = screening_ruling(sets, limits.screening)
    asked = asked_at_screening(limits, ruling, pregnancy_applies=pregnancy_test_due(answers))
    return Measured(sets, ruling, asked, check_results(checks, limits))

"""What changed from one assessment of a person to the next: outcome, findings, gaps, answers, values, rules."""

from dataclasses import dataclass
from typing import Any

from screening.models import Assessment, VitalSet
from screening.rules.compare import FindingChange, finding_changes, gaps_closed, gaps_opened
from screening.rules.rows import QuestionRow
from screening.rules.vitals import UNITS, WORDS, shown
from screening.selectors.history import Change, changes
from screening.selectors.vitals import MEASURES


@dataclass(frozen=True, slots=True)
class Since:
    """The differences of an assessment against the one before."""

    before: Assessment
    findings: list[FindingChange]
    supplied: list[Any]
    lacking: list[Any]
    inputs: list[Change]
    rules: list[Change]

    @property
    def anything(self) -> bool:
        """Whether there is any difference to show."""
        return bool(self.findings or self.supplied or self.lacking or self.inputs or self.rules)


def assessments_of(made: Assessment, most: int = 20) -> list[Assessment]:
    """Return the assessments of the same person and gate up to this one, newest first."""
    found = (
        Assessment.objects.filter(
            participant_id=made.participant_id, gate=made.gate, pk__lte=made.pk
        )
        .select_related("protocol_version", "answer_set", "vital_set")
        .order_by("-id")
    )
    if made.gate != Assessment.Gate.SCREENING and made.answer_set is not None:
        found = found.filter(answer_set__visit_uid=made.answer_set.visit_uid)
    return list(found[:most])


def since(before: Assessment, after: Assessment, rows: tuple[QuestionRow, ...]) -> Since:
    """Return what is different in `after`; `rows` are the questions of the gate."""
    return Since(
        before=before,
        findings=finding_changes(before.findings, after.findings),
        supplied=gaps_closed(before.missing, after.missing),
        lacking=gaps_opened(before.missing, after.missing),
        inputs=[*_answers(before, after, rows), *_vitals(before.vital_set, after.vital_set)],
        rules=_rules(before, after),
    )


def _answers(before: Assessment, after: Assessment, rows: tuple[QuestionRow, ...]) -> list[Change]:
    if before.answer_set_id == after.answer_set_id or after.answer_set is None:
        return []
    if before.answer_set is None:
        return [Change("Answers", "not asked yet", f"{len(after.answer_set.answers)} answers")]
    return changes(before.answer_set, after.answer_set, rows)


def _vitals(before: VitalSet | None, after: VitalSet | None) -> list[Change]:
    if after is None or (before is not None and before.pk == after.pk):
        return []
    found = []
    for measure in MEASURES:
        old, new = _value(before, measure), _value(after, measure)
        if old != new:
            found.append(Change(WORDS[measure], old, new))
    return found


def _value(vital_set: VitalSet | None, measure: str) -> str:
    if vital_set is None:
        return "not measured"
    value = getattr(vital_set, measure)
    return "not decided" if value is None else f"{shown(value)} {UNITS[measure]}"


def _rules(before: Assessment, after: Assessment) -> list[Change]:
    found = []
    if before.protocol_version_id != after.protocol_version_id:
        found.append(
            Change(
                "Protocol", f"version {before.protocol_version.number}",
                f"version {after.protocol_version.number}",
            )
        )  # fmt: skip
    if before.table_hash != after.table_hash:
        old, new = (f"{one.table_version} ({one.table_hash[:8]})" for one in (before, after))
        found.append(Change("Rule table", old, new))
    return found

"""What an assessment says: findings with their reasons, what is missing, and the outcome."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, NamedTuple

from screening.rules.rows import WEIGHT, Disposition, QuestionRow

Outcome = Literal["clear", "physician", "hold", "exclude", "cannot_decide"]
VOLUNTEER = "volunteer"
MEASURER = "clinician or experimenter"
LEAD = "study lead and supervising physician"


class Finding(NamedTuple):
    """One rule that fired. `said` is what it fired on, in words, unrounded.

    `earliest` is the first moment for the dose as far as this medicine is concerned. `label` names the labels
    that list a contraindication; `urgent` asks for contact the same day; `known` says how the value is known.
    """

    rule_id: str
    concept: str
    disposition: Disposition
    reason: str
    source: str
    said: str
    earliest: datetime | None = None
    label: tuple[str, ...] = ()
    urgent: bool = False
    known: str = ""


class Missing(NamedTuple):
    """Something without which nothing is cleared: what it is, who can supply it, and why it does not count."""

    rule_id: str
    what: str
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Assessment:
    """The outcome, its findings in order of weight, and what is missing.

    It is a proposal: a physician decides. `table_version` and `table_hash` name the rules that were used.
    """

    outcome: Outcome
    findings: tuple[Finding, ...]
    missing: tuple[Missing, ...]
    table_version: str
    table_hash: str

    @property
    def earliest_dose(self) -> datetime | None:
        """The first moment for the dose as far as medicines are concerned; None when none of them says."""
        return max((f.earliest for f in self.findings if f.earliest is not None), default=None)

    @property
    def urgent(self) -> bool:
        """Whether a physician should contact the person the same day."""
        return any(finding.urgent for finding in self.findings)


def from_row(
    row: QuestionRow,
    disposition: Disposition,
    said: str,
    *,
    rule_id: str = "",
    reason: str = "",
) -> Finding:
    """Return the finding of a table row, with its own reason unless another is given."""
    return Finding(
        rule_id or row.id, row.concept, disposition, reason or row.reason, row.source, said,
        label=row.label, urgent=row.urgent, known=row.known,
    )  # fmt: skip


def ordered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings by weight, label contraindications first within a weight, else as they came."""
    return tuple(
        sorted(findings, key=lambda f: 2 * WEIGHT[f.disposition] + bool(f.label), reverse=True)
    )


def outcome_of(findings: tuple[Finding, ...], missing: tuple[Missing, ...]) -> Outcome:
    """Return the outcome of findings in order of weight: strictest wins, and missing is never a pass."""
    strictest = findings[0].disposition if findings else "note"
    if strictest == "exclude":
        return "exclude"
    if missing:
        return "cannot_decide"
    return "clear" if strictest == "note" else strictest

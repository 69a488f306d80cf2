"""What the sets and the other checks at screening add to an assessment, besides the newest values."""

from collections.abc import Mapping, Sequence
from typing import get_args

from screening.rules.checks import NAMES, SOURCES, CheckResult
from screening.rules.outcome import MEASURER, Finding, Missing
from screening.rules.rows import Disposition
from screening.rules.sets import RULES, Ruling, TakenSet
from studylab.studies.rules.protocol import CheckKind, Limits

CLINICIAN = "clinician"
KINDS: tuple[CheckKind, ...] = get_args(CheckKind)
_SETS_SOURCE = "proposal: nobody is cleared by measuring again; repeat on another day as in the screening table"
_WEIGH_SOURCE = (
    "common practice: an irregular pulse, or arms that lie apart, is looked at before a drug trial"
)


def asked_at_screening(
    limits: Limits, ruling: Ruling, *, pregnancy_applies: bool
) -> tuple[CheckKind, ...]:
    """Return the checks that the study asks of this person at screening."""
    kinds = [
        kind for kind in limits.checks.screening if kind != "pregnancy_test" or pregnancy_applies
    ]
    in_review = ruling.outcome in ("physician", "repeat", "exclude")
    if limits.ecg.asked == "always" or (limits.ecg.asked == "in_review" and in_review):
        kinds.append("ecg")
    return tuple(kinds)


def judge_measured(
    *,
    asked: Sequence[CheckKind],
    results: Mapping[CheckKind, CheckResult],
    sets: Sequence[TakenSet],
    ruling: Ruling,
) -> tuple[list[Finding], list[Missing]]:
    """Return findings and gaps. A check that nobody asked for counts when it does not pass.

    So does an ECG that was recorded and not read, whoever wanted it: on record is not looked at (field case F-09).
    """
    findings, missing = _from_sets(sets, ruling), []
    for kind in KINDS:
        result = results.get(kind)
        if result is None or result.outcome == "undecided":
            if kind in asked or (kind == "ecg" and result is not None):
                missing.append(_gap(kind, result))
        elif result.outcome != "pass":
            findings.append(_finding(kind, result, result.outcome))
    return findings, missing


def _from_sets(sets: Sequence[TakenSet], ruling: Ruling) -> list[Finding]:
    found = []
    if ruling.reasons:
        disposition: Disposition = "exclude" if ruling.outcome == "exclude" else "physician"
        found.append(
            Finding(
                rule_id="V-earlier-sets",
                concept="earlier sets of readings",
                disposition=disposition,
                reason=RULES["screening"],
                source=_SETS_SOURCE,
                said=" ".join(ruling.reasons),
            )
        )
    weigh = dict.fromkeys(text for one in sets for text in one.to_weigh)
    found += [
        Finding(
            rule_id=f"V-weigh-{number}", concept="seen while measuring", disposition="physician",
            reason="A physician looks at this before the dose.", source=_WEIGH_SOURCE, said=text,
        )
        for number, text in enumerate(weigh, start=1)
    ]  # fmt: skip
    return found


def _finding(kind: CheckKind, result: CheckResult, disposition: Disposition) -> Finding:
    return Finding(
        rule_id=f"K-{kind}", concept=NAMES[kind].lower() if kind != "ecg" else "ECG",
        disposition=disposition, reason=" ".join(result.reasons), source=SOURCES[kind],
        said=result.said,
    )  # fmt: skip


def _gap(kind: CheckKind, result: CheckResult | None) -> Missing:
    if result is None:
        return Missing(f"K-{kind}", NAMES[kind], MEASURER, "Not taken yet.")
    unread = kind == "ecg" and any("not read" in reason for reason in result.reasons)
    who = CLINICIAN if unread else MEASURER
    return Missing(f"K-{kind}", NAMES[kind], who, " ".join(result.reasons))

"""After the dose: the check at the end of the wait, and whether the person may go home.

Limits come from the confirmed protocol version. Bands are half-open: the limit itself belongs to the better
side, 50 passes where the limit is 50. The defaults of the protocol and the instructions below are this
project's proposals for the supervising physician; red flags follow the adverse reactions named in
propranolol labels. Values are mmHg and beats per minute, unrounded.
"""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Literal

from screening.rules.bands import PersonalLimits
from screening.rules.vitals import Undecided, VitalDecision, shown
from studylab.studies.rules.protocol import LeaveLimits, PostDoseLimits

PostDoseOutcome = Literal["pass", "undecided", "pause", "emergency"]

# Any of these is an emergency, whatever the readings say.
RED_FLAGS: dict[str, str] = {
    "wheeze": "wheeze",
    "trouble_breathing": "trouble breathing",
    "faint": "faint",
    "chest_pain": "chest pain",
    "confusion": "confusion",
    "swelling": "swelling of face or tongue",
}
# Common complaints that pause without being an emergency; any other word pauses as well.
OTHER_SYMPTOMS: dict[str, str] = {
    "dizziness": "dizziness",
    "nausea": "nausea",
    "cold_hands": "cold or white fingers",
    "tiredness": "unusual tiredness",
    "headache": "headache",
    "palpitations": "palpitations",
    "other": "another complaint",
}
_RANK: tuple[PostDoseOutcome, ...] = ("pass", "undecided", "pause", "emergency")
NEXT_STEPS: dict[PostDoseOutcome, str] = {
    "pass": "Go on with the visit.",
    "undecided": "Take the missing values now; nothing goes on before.",
    "pause": "Stop all tasks, let the person lie down, repeat the readings in 5 minutes, call the physician.",
    "emergency": "Emergency: call the physician and the emergency number now. Do not leave the person alone.",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found: `code` for the record, `text` for people, `outcome` is what it alone leads to."""

    code: str
    text: str
    outcome: PostDoseOutcome


@dataclass(frozen=True, slots=True)
class PostDoseResult:
    """The strictest outcome of all findings; no finding means pass."""

    outcome: PostDoseOutcome
    reasons: tuple[Finding, ...]

    @property
    def next_step(self) -> str:
        """What the people in the room do now."""
        return NEXT_STEPS[self.outcome]


@dataclass(frozen=True, slots=True)
class LeaveReason:
    """Why the person may not go yet."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class LeaveResult:
    """`earliest` counts from the dose; `emergency` comes from a red flag."""

    fit: bool
    reasons: tuple[LeaveReason, ...]
    earliest: timedelta
    emergency: bool = False
    too_late: bool = (
        False  # not fit at the hour from which a transfer or a night under watch is needed
    )


def symptom_words(symptoms: frozenset[str]) -> str:
    """Return the symptoms as a readable list in a fixed order."""
    known = RED_FLAGS | OTHER_SYMPTOMS
    ordered = [known[key] for key in known if key in symptoms]
    return ", ".join([*ordered, *sorted(s for s in symptoms if s not in known)])


def judge_post_dose(
    decision: VitalDecision | Undecided | None,
    pre_dose_decision: VitalDecision | None,
    symptoms: frozenset[str] | None,
    limits: PostDoseLimits,
) -> PostDoseResult:
    """Return pass, pause, emergency, or undecided when a value is missing and nothing worse is known.

    `symptoms` holds keys of RED_FLAGS, OTHER_SYMPTOMS or free words; empty means asked and none, None
    means not asked. A red flag is an emergency even before any reading.
    """
    findings = [*_symptom_findings(symptoms)]
    if isinstance(decision, VitalDecision):
        findings += _value_findings(decision, limits)
        findings += _fall_findings(decision, pre_dose_decision, limits)
    else:
        told = " ".join(p.message for p in decision.problems) if decision else ""
        text = f"The readings after the dose are not complete. {told}".strip()
        findings.append(Finding("vitals_undecided", text, "undecided"))
    found = {finding.outcome for finding in findings} | {"pass"}
    strictest = max((outcome for outcome in _RANK if outcome in found), key=_RANK.index)
    return PostDoseResult(strictest, tuple(findings))


def _symptom_findings(symptoms: frozenset[str] | None) -> list[Finding]:
    if symptoms is None:
        return [Finding("symptoms_unasked", "Symptoms were not asked about.", "undecided")]
    red = symptoms & RED_FLAGS.keys()
    findings = []
    if red:
        findings.append(Finding("red_flag", f"Red flag: {symptom_words(red)}.", "emergency"))
    if symptoms - red:
        findings.append(Finding("symptoms", f"Symptoms: {symptom_words(symptoms - red)}.", "pause"))
    return findings


def _value_findings(decision: VitalDecision, limits: PostDoseLimits) -> list[Finding]:
    findings = []
    bands = (
        ("pulse", "Pulse", decision.pulse, limits.pulse_pass_from, limits.pulse_pause_from),
        (
            "systolic",
            "Systolic pressure",
            decision.systolic,
            limits.systolic_pass_from,
            limits.systolic_pause_from,
        ),
    )
    for code, name, value, pass_from, pause_from in bands:
        if value >= pass_from:
            continue
        limit = pass_from if value >= pause_from else pause_from
        outcome: PostDoseOutcome = "pause" if value >= pause_from else "emergency"
        findings.append(
            Finding(f"{code}_low", f"{name} {shown(value)} is below {limit:g}.", outcome)
        )
    if decision.diastolic < limits.diastolic_pass_from:
        text = f"Diastolic pressure {shown(decision.diastolic)} is below {limits.diastolic_pass_from:g}."
        findings.append(Finding("diastolic_low", text, "pause"))
    return findings


def _fall_findings(
    decision: VitalDecision, before: VitalDecision | None, limits: PostDoseLimits
) -> list[Finding]:
    if before is None:
        text = "There are no pre-dose readings to compare with."
        return [Finding("pre_dose_missing", text, "undecided")]
    falls = (
        (
            "systolic_fall",
            "Systolic pressure",
            before.systolic - decision.systolic,
            limits.systolic_fall,
        ),
        ("pulse_fall", "Pulse", before.pulse - decision.pulse, limits.pulse_fall),
    )
    return [
        Finding(code, f"{name} fell by {shown(fall)}, more than {limit:g}.", "pause")
        for code, name, fall, limit in falls
        if fall > limit
    ]


def judge_leave(
    decision: VitalDecision | Undecided | None,
    screening_decision: VitalDecision | None,
    minutes_since_dose: float | None,
    symptoms: frozenset[str] | None,
    ate: bool | None,
    orthostatic_ok: bool | None,
    limits: LeaveLimits,
    *,
    floor_systolic: float,
    personal: PersonalLimits | None = None,
) -> LeaveResult:
    """Return whether the person is fit to leave and every reason why not.

    A signed personal limit below the study's replaces it; one above it changes nothing, since the dose itself
    lowers both values.

    `minutes_since_dose` is elapsed time. A systolic value close to the one at screening also passes, but
    never below `floor_systolic`, the protocol's floor for personal limits.
    """
    reasons = [
        *_leave_values(decision, screening_decision, _own(limits, personal), floor_systolic),
        *_leave_time(minutes_since_dose, limits),
        *_leave_answers(symptoms, ate, orthostatic_ok),
    ]
    overdue = minutes_since_dose is not None and minutes_since_dose >= limits.not_fit_after_minutes
    return LeaveResult(
        fit=not reasons,
        reasons=tuple(reasons),
        earliest=timedelta(minutes=limits.earliest_minutes),
        emergency=bool(symptoms and symptoms & RED_FLAGS.keys()),
        too_late=bool(reasons) and overdue,
    )


def _own(limits: LeaveLimits, personal: PersonalLimits | None) -> LeaveLimits:
    if personal is None:
        return limits
    pulse, systolic = limits.pulse_from, limits.systolic_from
    return replace(
        limits,
        pulse_from=min(pulse, personal.pulse_from or pulse),
        systolic_from=min(systolic, personal.systolic_from or systolic),
    )


def hours_and_minutes(minutes: float) -> str:
    """Return "4 h 00 min" for 240; part minutes are cut, so nobody seems further than they are."""
    return f"{int(minutes) // 60} h {int(minutes) % 60:02d} min"


def _leave_values(
    decision: VitalDecision | Undecided | None,
    screening: VitalDecision | None,
    limits: LeaveLimits,
    floor_systolic: float,
) -> list[LeaveReason]:
    if not isinstance(decision, VitalDecision):
        return [LeaveReason("vitals_undecided", "The readings before leaving are not complete.")]
    reasons = []
    if decision.pulse < limits.pulse_from:
        text = f"Pulse {shown(decision.pulse)} is below {limits.pulse_from:g}."
        reasons.append(LeaveReason("pulse_low", text))
    systolic, enough = decision.systolic, limits.systolic_from
    if screening is not None:
        # The lower of the two limits counts, held up by the floor.
        enough = min(
            enough, max(screening.systolic - limits.systolic_within_of_screening, floor_systolic)
        )
    if systolic < enough:
        text = f"Systolic pressure {shown(systolic)} is below {shown(enough)}."
        reasons.append(LeaveReason("systolic_low", text))
    return reasons


def _leave_time(minutes: float | None, limits: LeaveLimits) -> list[LeaveReason]:
    if minutes is None:
        return [LeaveReason("time_unknown", "The time of the dose is not known.")]
    if minutes < limits.earliest_minutes:
        return [
            LeaveReason(
                "too_early",
                f"{hours_and_minutes(max(minutes, 0))} after the dose; "
                f"the earliest is {hours_and_minutes(limits.earliest_minutes)}.",
            )
        ]
    return []


def _leave_answers(
    symptoms: frozenset[str] | None, ate: bool | None, orthostatic_ok: bool | None
) -> list[LeaveReason]:
    reasons = []
    if symptoms is None:
        reasons.append(LeaveReason("symptoms_unasked", "Symptoms were not asked about."))
    elif symptoms:
        reasons.append(LeaveReason("symptoms", f"Symptoms: {symptom_words(symptoms)}."))
    if ate is not True:
        text = (
            "The person has not eaten."
            if ate is False
            else "Whether the person ate is not recorded."
        )
        reasons.append(LeaveReason("not_eaten", text))
    if orthostatic_ok is not True:
        failed = "The standing test was not passed."
        text = failed if orthostatic_ok is False else "The standing test is not done."
        reasons.append(LeaveReason("standing_test", text))
    return reasons

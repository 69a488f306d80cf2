"""Running the rules over what stands on record, and keeping what they said."""

from datetime import datetime
from typing import Any
from uuid import UUID

from screening.models import Assessment
from screening.rules.assessment import Assessment as Result
from screening.rules.outcome import Finding
from screening.selectors.assessed import assessed
from screening.selectors.inputs import Inputs, current_inputs
from screening.selectors.sign_off import newest_assessment
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.services import audit_many, event_row
from studylab.db import service
from studylab.participants.models import Hold, Participant
from studylab.participants.services import hold_open
from studylab.participants.services.checks import lock_participant

_STOPS_THE_DAY = frozenset({"physician", "hold", "exclude"})


@service
def assessment_refresh(
    *, participant: Participant, gate: str, visit_uid: UUID | None = None, actor: Actor
) -> Assessment:
    """Run the rules at a gate over what stands on record; return the newest assessment.

    A new one is written only when inputs, protocol, rules or what they lead to have changed, since a new
    assessment makes an earlier sign-off void.
    """
    require(actor, Cap.QUESTIONS_RECORD)
    participant = lock_participant(participant, actor)
    return refresh(
        participant=participant, gate=Assessment.Gate(gate), visit_uid=visit_uid, actor=actor
    )


def refresh(
    *, participant: Participant, gate: Assessment.Gate, visit_uid: UUID | None, actor: Actor
) -> Assessment:
    """Do the same inside the caller's transaction, which has locked the person."""
    inputs = current_inputs(participant, gate, visit_uid)
    now = clock.now()
    result = assessed(inputs, zone=participant.study.zone, gate=gate, at=now)
    last = newest_assessment(participant, gate, visit_uid)
    if last is not None and says_the_same(last, inputs, result):
        return last
    made = assessment_row(participant, gate, inputs, result, now)
    made.save()
    audit_many([assessment_event(made, actor)])
    if gate != Assessment.Gate.SCREENING and made.outcome in _STOPS_THE_DAY:
        _hold(participant, made, actor)
    return made


def says_the_same(last: Assessment, inputs: Inputs, result: Result) -> bool:
    """Whether the last assessment already says this: same inputs, same rules fired, same gaps.

    The wording is left out: "40 days ago" becomes 41 without anything having changed.
    """
    return (
        last.inputs_digest == inputs.digest
        and last.outcome == result.outcome
        and [(f["rule_id"], f["disposition"]) for f in last.findings]
        == [(f.rule_id, f.disposition) for f in result.findings]
        and [gap["rule_id"] for gap in last.missing] == [gap.rule_id for gap in result.missing]
    )


def assessment_row(
    participant: Participant, gate: Assessment.Gate, inputs: Inputs, result: Result, at: datetime
) -> Assessment:
    """Return the assessment to be kept, not yet saved."""
    return Assessment(
        participant=participant,
        gate=gate,
        outcome=result.outcome,
        findings=[_finding(finding) for finding in result.findings],
        missing=[gap._asdict() for gap in result.missing],
        table_version=result.table_version,
        table_hash=result.table_hash,
        protocol_version=inputs.protocol.version,
        answer_set=inputs.answer_set,
        vital_set=inputs.vital_set,
        inputs_digest=inputs.digest,
        made_at=at,
    )


def assessment_event(made: Assessment, actor: Actor) -> Event:
    """Return the event of a saved assessment."""
    return event_row(
        actor=actor,
        action=Action.ASSESSED,
        subject_type="assessment",
        subject_code=made.pk,
        participant_code=made.participant.code,
        study_id=made.participant.study_id,
        data={"gate": made.gate, "outcome": made.outcome, "inputs_digest": made.inputs_digest},
    )


def _finding(finding: Finding) -> dict[str, Any]:
    earliest = finding.earliest.isoformat() if finding.earliest else None
    return {**finding._asdict(), "label": list(finding.label), "earliest": earliest}


_WHOSE = {
    Assessment.Gate.AHEAD.value: "Answers before the visit",
    Assessment.Gate.DOSING_DAY.value: "Today's answers",
}


def _hold(participant: Participant, assessment: Assessment, actor: Actor) -> None:
    """Put the person on hold for what they answered today."""
    told = [
        f"{finding['concept']} ({finding['said']})"
        for finding in assessment.findings
        if finding["disposition"] in _STOPS_THE_DAY
    ]
    hold_open(
        participant=participant,
        kind=Hold.Kind.ANSWERS,
        reason=f"{_WHOSE[assessment.gate]}: {'; '.join(told)}.",
        actor=actor,
    )

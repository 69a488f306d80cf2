"""Whose outcome another protocol version would change, before it is confirmed."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from screening.models import Assessment, SignOff
from screening.rules.outcome import Finding, Missing
from screening.selectors.assessed import Records, assessed
from screening.selectors.runs import active_people, chunks
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.selectors import CurrentProtocol, current_protocol, plan_of

MOST = 2000  # people looked at while somebody waits for the page


@dataclass(frozen=True, slots=True)
class Affected:
    """Somebody whose outcome would change: from, to, and the findings and gaps that come or go, in words."""

    participant: Participant
    before: str
    after: str
    comes: tuple[str, ...]
    goes: tuple[str, ...]
    signed: bool


@dataclass(frozen=True, slots=True)
class Impact:
    """What a version does to the people on the path. `more` is how many were not looked at."""

    people: int
    affected: list[Affected]
    signed: int
    more: int


def impact_of(study: Study, version: ProtocolVersion, at: datetime) -> Impact:
    """Compare the rules that count now with those of `version`, both at the instant `at`."""
    now, then = current_protocol(study), CurrentProtocol(version, plan_of(version))
    zone, gate = study.zone, Assessment.Gate.SCREENING
    people, signed = 0, 0
    affected: list[Affected] = []
    everybody = active_people(study)
    for chunk in chunks(everybody, 500):
        records, standing = Records(chunk), eligible_now(chunk, at)
        for person in chunk:
            if not records.any_of(person):
                continue
            people += 1
            signed += person.pk in standing
            before = assessed(records.inputs(person, now), zone=zone, gate=gate, at=at)
            after = assessed(records.inputs(person, then), zone=zone, gate=gate, at=at)
            if before.outcome != after.outcome:
                comes, goes = _coming_and_going(before, after)
                affected.append(
                    Affected(
                        person, before.outcome, after.outcome, comes, goes, person.pk in standing
                    )
                )
        if people >= MOST:
            break
    return Impact(
        people, affected, signed, max(0, everybody.count() - people) if people >= MOST else 0
    )


def eligible_now(people: list[Participant], at: datetime) -> set[int]:
    """Return who of these people holds an eligible sign-off on their newest assessment at an instant."""
    newest = dict(
        Assessment.objects.filter(participant__in=people, gate=Assessment.Gate.SCREENING)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
        .values_list("participant_id", "pk")
    )
    signed = (
        SignOff.objects.filter(participant__in=people)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
    )
    return {
        one.participant_id
        for one in signed
        if one.decision == SignOff.Decision.ELIGIBLE
        and at < one.valid_until
        and newest.get(one.participant_id) == one.assessment_id
    }


def _coming_and_going(before: Any, after: Any) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what only the later assessment says, and what only the earlier one says."""
    old, new = _said(before), _said(after)
    comes = tuple(words for key, words in new.items() if key not in old)
    goes = tuple(words for key, words in old.items() if key not in new)
    return comes, goes


def _said(result: Any) -> dict[tuple[str, ...], str]:
    said: dict[tuple[str, ...], str] = {}
    finding: Finding
    for finding in result.findings:
        key = (finding.rule_id, finding.said, finding.disposition)
        said[key] = f"{finding.concept}: {finding.said}"
    gap: Missing
    for gap in result.missing:
        said[gap.rule_id, gap.why] = f"{gap.what} {gap.why}"
    return said

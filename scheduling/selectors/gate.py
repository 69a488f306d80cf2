"""The dose gate's facts, gathered from the record. What is not on record is not known, and never a pass."""

from collections.abc import Iterator
from dataclasses import asdict, fields, is_dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from scheduling.models import Dose, Staying, Visit
from scheduling.rules.sheet import open_before, open_sentence, steps_of_kind
from scheduling.rules.spacing import judge, split_anchor
from scheduling.selectors.evidence import (
    Evidence,
    actual_anchors,
    evidence_of,
    facts_of,
    open_holds,
    protocol_of,
)
from scheduling.selectors.gate_safety import safety_fact
from scheduling.selectors.presence import rescue_check_today
from scheduling.selectors.today import cover_now
from screening.rules.dose_gate import GateResult, dose_gate
from screening.rules.gate_cover import cover_of
from screening.rules.gate_facts import ConsentFact, CoverFact, GateFacts, GateRules, KitFact
from screening.rules.gate_reasons import GateReason
from screening.selectors import (
    check_facts,
    open_notes,
    pre_dose_fact,
    questions_fact,
    sign_off_fact,
    washouts_of,
)
from studylab.allocation.selectors import entry_of, kit_fact
from studylab.allocation.selectors.blinding import unpractised
from studylab.codes import normalise
from studylab.participants.models import Consent, Participant
from studylab.participants.selectors import current_consent
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol, VisitPlan
from studylab.studies.selectors import current_protocol

# Steps whose state the gate judges itself.
_JUDGED_BY_GATE = frozenset({"identity", "questions", "vitals"})


def dose_gate_of(*, visit: Visit, kit_number: str | None, at: datetime) -> GateResult:
    """Return whether the dose may be given at the instant `at`, with every reason why not.

    `kit_number` is what was scanned or typed, None before that.
    """
    return judged_gate(visit=visit, kit_number=kit_number, at=at)[1]


def judged_gate(
    *, visit: Visit, kit_number: str | None, at: datetime
) -> tuple[GateFacts, GateResult]:
    """Return the facts as well, for the record of the dose."""
    protocol = protocol_of(visit)
    plan = protocol.visit(visit.number)
    evidence = evidence_of([visit])[visit.pk]
    facts = _facts(visit, protocol, plan, evidence, kit_number, at)
    rules = GateRules(
        pre_dose_valid_minutes=current_protocol(
            visit.participant.study
        ).plan.limits.pre_dose_valid_minutes,
        wait=protocol.dose_wait.length,
        earlier_visits=tuple(row.number for row in protocol.visits if row.number < plan.number),
        zone=ZoneInfo(visit.participant.study.timezone),
    )
    result = dose_gate(facts, rules=rules, at=at)
    more = tuple(_sheet_reasons(visit, plan, evidence, at))
    reasons = (*more, *result.reasons)
    return facts, GateResult(open=not reasons, reasons=reasons)


def snapshot(facts: GateFacts, result: GateResult, at: datetime) -> dict[str, Any]:
    """Return what the gate saw, as plain JSON for the record of the dose.

    Until when the kit can be used is left out: dates could tell batches apart.
    """
    shown = facts
    if facts.kit is not None:
        shown = replace(facts, kit=replace(facts.kit, usable_until=None))
    return {
        "at": at.isoformat(),
        "open": result.open,
        "reasons": [asdict(reason) for reason in result.reasons],
        "facts": _plain(shown),
    }


def _facts(
    visit: Visit,
    protocol: Protocol,
    plan: VisitPlan,
    evidence: Evidence,
    kit_number: str | None,
    at: datetime,
) -> GateFacts:
    participant = visit.participant
    study = participant.study
    entry = entry_of(participant)
    return GateFacts(
        limits_confirmed=current_protocol(study).confirmed,
        dosing_paused=study.state != Study.State.OPEN,
        participant_active=participant.is_active,
        identity_confirmed=_identity(plan, evidence, at),
        already_dosed=Dose.objects.filter(participant=participant).exists(),
        consent=_consent(participant),
        sign_off=sign_off_fact(participant, at),
        allocation_number=entry.number if entry else None,
        questions=questions_fact(participant, visit.uid),
        pre_dose=pre_dose_fact(participant, visit.uid, at),
        checks=check_facts(participant, "pre_dose", visit.uid, current_protocol(study).plan.limits),
        earlier_visits_finished=_earlier(visit),
        spacing_problems=spacing_problems(visit, protocol, at),
        washouts=washouts_of(participant, at),
        notes_open=tuple(open_notes(participant)),
        kit=_kit(participant, kit_number),
        cover=_cover(study, at),
        rescue_kit_ready=_rescue_kit(study, at),
        somebody_stays=_somebody_stays(visit, at),
        open_holds=tuple(
            f"{hold.get_kind_display()}: {hold.reason}" for hold in open_holds(participant)
        ),
        safety=safety_fact(participant, current_protocol(study).plan, at),
    )


def _sheet_reasons(
    visit: Visit, plan: VisitPlan, evidence: Evidence, at: datetime
) -> Iterator[GateReason]:
    """Reasons of the run sheet itself, before those of the gate's rules."""
    doses = steps_of_kind(plan, "dose")
    if not doses:
        yield GateReason(
            "no_dose_here", "No dose is planned at this visit.", "Open the dosing visit."
        )
    if visit.state != Visit.State.RUNNING:
        yield GateReason(
            "visit_not_running", "The visit is not under way.", "The experimenter starts the visit."
        )
    facts = facts_of(plan, evidence, at)
    for step in open_before(plan, doses[0].key, facts) if doses else ():
        if step.kind not in _JUDGED_BY_GATE:
            yield GateReason(
                "step_open",
                open_sentence(step, facts),
                "The experimenter records it, or skips it with a reason.",
            )
    if kit_fact(visit.participant).stopped:
        yield GateReason(
            "dosing_stopped",
            "Nothing may be given to this volunteer any more.",
            "Ask the supervising physician.",
        )


def _identity(plan: VisitPlan, evidence: Evidence, at: datetime) -> bool | None:
    """Whether who is here was checked at this visit; None when the visit has no such step."""
    steps = steps_of_kind(plan, "identity")
    if not steps:
        return None
    record = evidence.records.get(steps[0].key)
    return record is not None and not record.skipped and record.occurred_at <= at


def _consent(participant: Participant) -> ConsentFact | None:
    consent = current_consent(participant, Consent.Kind.STUDY)
    if consent is None:
        return None
    return ConsentFact(
        version=consent.version,
        current_version=current_protocol(participant.study).plan.consent_version,
        signed_at=consent.signed_at,
        withdrawn=participant.status == Participant.Status.WITHDRAWN,
    )


def _earlier(visit: Visit) -> tuple[tuple[int, bool | None], ...]:
    rows = Visit.objects.filter(series_id=visit.series_id, number__lt=visit.number)
    return tuple(
        (number, state == Visit.State.DONE)
        for number, state in rows.order_by("number").values_list("number", "state")
    )


def spacing_problems(visit: Visit, protocol: Protocol, at: datetime) -> tuple[str, ...] | None:
    """Return how the series left its spacing, up to a dose at `at`, where no deviation is on record.

    None when a moment that a rule counts from is not known.
    """
    plan = protocol.visit(visit.number)
    anchors = {**actual_anchors(visit, protocol), f"{plan.key}.dose": at}
    excused = set(
        Visit.objects.filter(series_id=visit.series_id, spacing_deviation__isnull=False)
        .values_list("number", flat=True)
    )  # fmt: skip
    numbers = {row.key: row.number for row in protocol.visits}
    problems = []
    for rule in protocol.spacings:
        number = numbers[split_anchor(rule.end)[0]]
        if number > visit.number or number in excused:
            continue
        result = judge(rule, anchors)
        if result.verdict == "unknown":
            return None
        if result.verdict != "kept":
            problems.append(result.message)
    return tuple(problems)


def _kit(participant: Participant, kit_number: str | None) -> KitFact | None:
    state = kit_fact(participant)
    if state.number is None:
        return None
    read = normalise(kit_number) if kit_number and kit_number.strip() else None
    return KitFact(
        number=state.number,
        for_number=state.for_number,
        usable_until=state.usable_until,
        quarantined=state.quarantined,
        dispensed=state.dispensed,
        scanned_matches=None if read is None else read == state.number,
    )


def _cover(study: Study, at: datetime) -> CoverFact:
    here = cover_now(study, at)
    late = unpractised(study, [presence.user_id for presence in here], at)
    names = tuple(presence.user.name for presence in here if presence.user_id in late)
    return cover_of(((one.said_at, one.until) for one in here), names, at)


def _rescue_kit(study: Study, at: datetime) -> bool | None:
    """Whether today's newest look through the emergency kit found it complete; None without one."""
    check = rescue_check_today(study, at)
    return None if check is None else check.complete


def _somebody_stays(visit: Visit, at: datetime) -> bool:
    return Staying.objects.filter(visit=visit, at__lte=at).exists()


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return value

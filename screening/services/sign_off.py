"""A physician's decision on taking part, signed."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from screening.models import Assessment, SignOff
from screening.rules.answers import is_number
from screening.selectors.inputs import current_inputs_digest
from screening.selectors.own_records import own_records
from screening.selectors.sign_off import newest_assessment, signed_content
from screening.services.requests import checked_requests
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Participant
from studylab.participants.services import participant_screen_out
from studylab.participants.services.checks import lock_participant, require_active
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.rules.protocol import Limits
from studylab.studies.selectors import CurrentProtocol, current_protocol

MEANINGS = {
    SignOff.Decision.ELIGIBLE: "I have looked at the answers and values: this person may take part",
    SignOff.Decision.NOT_ELIGIBLE: "I have looked at the answers and values: this person does not take part",
    SignOff.Decision.NEEDS_MORE: "I have looked at the answers and values and need more before deciding",
}
ITEM_DECISIONS = ("accept", "refuse")
_CLOSED = {
    Assessment.Outcome.EXCLUDE: "The rules exclude this person; that cannot be signed away.",
    Assessment.Outcome.HOLD: "Something has to wait; until then nobody can be signed eligible.",
    Assessment.Outcome.CANNOT_DECIDE: "Something is missing; until it is known nobody can be signed eligible.",
}


def sign_off_give(
    *,
    participant: Participant,
    assessment: Assessment,
    decision: str,
    item_decisions: list[dict[str, Any]],
    personal_limits: dict[str, Any] | None,
    reason: str,
    password: str,
    requests: Sequence[dict[str, Any]] = (),
    records_seen: Sequence[str] = (),
    actor: Actor,
) -> SignOff:
    """Sign a decision on taking part, bound to the digest of everything that was assessed.

    `item_decisions` are {"rule_id", "decision": "accept" or "refuse", "reason"}, one for every item that a
    physician decides, with the finding's "said" where one rule fired twice. `personal_limits` are {"systolic_from", "diastolic_from", "pulse_from"}, mmHg and beats
    per minute. `requests` are {"what", "who"}, with "needs more" only. Raises Conflict when `assessment` is no longer the newest, WrongPassword for the password.
    """
    require(actor, Cap.SIGN_OFF)
    user = check_password(
        actor=actor, password=password, subject_type="sign_off", subject_code=participant.code
    )
    return _sign(
        participant=participant,
        assessment=assessment,
        decision=decision,
        item_decisions=item_decisions,
        personal_limits=personal_limits,
        reason=reason.strip(),
        requests=requests,
        records_seen=records_seen,
        user=user,
        actor=actor,
    )


@service
def _sign(
    *,
    participant: Participant,
    assessment: Assessment,
    decision: str,
    item_decisions: list[dict[str, Any]],
    personal_limits: dict[str, Any] | None,
    reason: str,
    requests: Sequence[dict[str, Any]],
    records_seen: Sequence[str],
    user: User,
    actor: Actor,
) -> SignOff:
    participant = lock_participant(participant, actor)
    require_active(participant)
    protocol = current_protocol(participant.study)
    chosen = _check(participant, assessment, decision, protocol)
    said: dict[str, Any] = {
        "item_decisions": _checked_items(assessment, item_decisions, chosen),
        "personal_limits": _checked_limits(personal_limits, protocol.plan.limits, chosen),
        "reason": reason,
        "requests": checked_requests(requests, chosen, reason),
        "records_seen": _checked_records(participant, records_seen, chosen),
    }
    if chosen != SignOff.Decision.ELIGIBLE and not reason:
        raise Refused("Say why: the volunteer and the record need a reason.", field="reason")
    code, now = participant.code, clock.now()
    signature = signature_write(
        actor=actor, user=user, meaning=MEANINGS[chosen], subject_type="sign_off", subject_code=code,
        content=signed_content(assessment=assessment, decision=chosen.value, **said),
        participant_code=code,
    )  # fmt: skip
    sign_off = SignOff.objects.create(
        participant=participant, assessment=assessment, decision=chosen, signature=signature,
        signed_at=now, valid_until=now + timedelta(days=protocol.plan.limits.sign_off_valid_days), **said,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.SIGNED_OFF, subject_type="sign_off", subject_code=signature.uid,
        participant_code=code, reason=reason,
        data={"decision": chosen.value, "inputs_digest": assessment.inputs_digest},
    )  # fmt: skip
    if chosen == SignOff.Decision.NOT_ELIGIBLE:
        short = reason if len(reason) <= 300 else f"{reason[:299]}…"
        participant_screen_out(participant=participant, reason=short, actor=actor)
    return sign_off


def _check(
    participant: Participant, assessment: Assessment, decision: str, protocol: CurrentProtocol
) -> SignOff.Decision:
    """Return the decision if it may be signed for this assessment now."""
    if decision not in SignOff.Decision.values:
        raise Refused("Choose a decision.", field="decision")
    chosen = SignOff.Decision(decision)
    if not protocol.confirmed:
        raise Refused(
            "No physician has confirmed the limits of this protocol, so nothing can be signed yet."
        )
    newest = newest_assessment(participant, Assessment.Gate.SCREENING)
    if newest is None or newest.pk != assessment.pk:
        raise Conflict(
            "Answers or values changed since you opened this page. Look at them again before signing."
        )
    if current_inputs_digest(participant) != assessment.inputs_digest:
        raise Conflict(
            "The protocol or the rules changed since this assessment. Run the rules again first."
        )
    if chosen == SignOff.Decision.ELIGIBLE:
        outcome = Assessment.Outcome(assessment.outcome)
        if outcome in _CLOSED:
            raise Refused(_CLOSED[outcome], field="decision")
        if any(finding["rule_id"].endswith("-outside") for finding in assessment.findings):
            raise Refused(
                "A value is outside the limits. It has to be measured again on another day before anybody "
                "can be signed eligible.",
                field="decision",
            )
    return chosen


def _checked_records(
    participant: Participant, seen: Sequence[str], decision: SignOff.Decision
) -> list[str]:
    """Return which of the site's other records of the person were looked at; eligible needs all of them."""
    known = [record.key for record in own_records(participant)]
    kept = [key for key in known if key in set(seen)]
    if decision == SignOff.Decision.ELIGIBLE and kept != known:
        raise Refused(
            "The site knows this person from elsewhere, and not all of it was looked at. Read what the page shows "
            "and say so.",
            field="records_seen",
        )
    return kept


def _checked_items(
    assessment: Assessment, given: Sequence[dict[str, Any]], decision: SignOff.Decision
) -> list[dict[str, Any]]:
    """Return the decisions on single items; eligible needs one, with its reason, for every item."""
    keys = {(finding["rule_id"], finding["said"]) for finding in assessment.findings}
    items = []
    for item in given:
        key = _key(item, assessment.findings)
        if key not in keys or item.get("decision") not in ITEM_DECISIONS:
            raise Refused("A decision belongs to no item of this assessment. Reload the page.")
        reason = str(item.get("reason") or "").strip()[:1000]
        items.append(
            {"rule_id": key[0], "said": key[1], "decision": item["decision"], "reason": reason}
        )
    if decision != SignOff.Decision.ELIGIBLE:
        return items
    decided = {(item["rule_id"], item["said"]): item for item in items}
    lacking = [
        f"{finding['concept']} ({finding['said']}): {lack}"
        for finding in assessment.findings
        if finding["disposition"] == "physician"
        and (lack := _lack(decided.get((finding["rule_id"], finding["said"]))))
    ]
    if lacking:
        raise RefusedWithReasons(
            "Not signed: every item that a physician decides needs a decision and its reason.",
            lacking,
        )
    return items


def _key(item: dict[str, Any], findings: list[dict[str, Any]]) -> tuple[str, str]:
    """Return which finding an item is about: its rule and, where a rule fired twice, what was said."""
    rule_id, said = str(item.get("rule_id")), item.get("said")
    if said is None:
        same = [finding["said"] for finding in findings if finding["rule_id"] == rule_id]
        said = same[0] if len(same) == 1 else ""
    return rule_id, str(said)


def _lack(item: dict[str, Any] | None) -> str:
    """Return what stands between this item and an eligible decision; "" when nothing."""
    if item is None:
        return "no decision yet."
    if item["decision"] != "accept":
        return "refused, so the person is not eligible."
    return "" if item["reason"] else "say why this does not stand in the way."


def _checked_limits(
    given: dict[str, Any] | None, limits: Limits, decision: SignOff.Decision
) -> dict[str, float] | None:
    """Return the person's own lower limits, none of them below the floor of the protocol."""
    kept: dict[str, float] = {}
    for measure in ("systolic", "diastolic", "pulse"):
        key = f"{measure}_from"
        value = (given or {}).get(key)
        if value is None:
            continue
        floor = getattr(limits, f"floor_{measure}")
        top = getattr(limits.pre_dose, measure).pass_below
        if not is_number(value) or not floor <= value < top:
            raise Refused(
                f"A personal limit for {measure} lies from {floor:g}, the floor of the protocol, to below {top:g}.",
                field=key,
            )
        kept[key] = float(value)
    if kept and decision != SignOff.Decision.ELIGIBLE:
        raise Refused("Personal limits go with an eligible decision only.", field="decision")
    return kept or None

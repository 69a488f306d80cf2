"""Reading assessments and sign-offs: what was signed, and whether it still stands."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from django.db.models import OuterRef, Q, Subquery

from screening.models import Assessment, SignOff
from screening.rules.bands import PersonalLimits
from screening.selectors.inputs import READ_AT_SCREENING, current_inputs_digest
from studylab.participants.models import Participant
from studylab.people.services.signatures import content_hash
from studylab.prepared import Prepared, together
from studylab.studies.selectors import CurrentProtocol

SignOffKind = Literal["none", "eligible", "not_eligible", "needs_more", "lapsed", "void"]

_DECIDED: dict[SignOff.Decision, tuple[SignOffKind, str]] = {
    SignOff.Decision.ELIGIBLE: ("eligible", "A physician has signed: eligible."),
    SignOff.Decision.NOT_ELIGIBLE: ("not_eligible", "A physician has signed: not eligible."),
    SignOff.Decision.NEEDS_MORE: ("needs_more", "A physician asks for more before deciding."),
}


_SCREENED = Assessment.objects.filter(
    participant=OuterRef("participant"), gate=Assessment.Gate.SCREENING
).order_by("-id")
_NEWEST = Prepared(
    lambda participant: (
        SignOff.objects.filter(participant=participant)
        .select_related("signature", "assessment__protocol_version")
        .defer("assessment__protocol_version__document")
        .annotate(newest_assessment=Subquery(_SCREENED.values("pk")[:1]))
        .order_by("-id")[:1]
    )
)


@dataclass(frozen=True, slots=True)
class SignOffState:
    """Where the newest sign-off stands; only "eligible" lets anybody on. `why` is a sentence."""

    kind: SignOffKind
    sign_off: SignOff | None
    why: str

    @property
    def eligible(self) -> bool:
        """Whether a current eligible decision stands."""
        return self.kind == "eligible"


def newest_assessment(
    participant: Participant, gate: str, visit_uid: UUID | None = None
) -> Assessment | None:
    """Return the newest assessment of a gate, of one visit when `visit_uid` is given."""
    found = Assessment.objects.filter(participant=participant, gate=gate)
    if visit_uid is not None:
        found = found.filter(Q(answer_set__visit_uid=visit_uid) | Q(vital_set__visit_uid=visit_uid))
    return found.select_related("protocol_version").order_by("-id").first()


def newest_sign_off(participant: Participant) -> SignOff | None:
    """Return the newest sign-off of any decision, with signature and assessment."""
    return _NEWEST.first(participant.pk)


def signed_content(
    *,
    assessment: Assessment,
    decision: str,
    item_decisions: list[dict[str, Any]],
    personal_limits: dict[str, Any] | None,
    reason: str,
    requests: Sequence[dict[str, Any]] = (),
    records_seen: Sequence[str] = (),
) -> dict[str, Any]:
    """Return what the signature of a sign-off covers, as plain JSON."""
    more: dict[str, Any] = {"requests": list(requests)} if requests else {}
    if records_seen:
        more["records_seen"] = list(records_seen)
    return more | {
        "participant": assessment.participant.code,
        "assessment": assessment.pk,
        "inputs_digest": assessment.inputs_digest,
        "protocol": assessment.protocol_version.sha256,
        "table": assessment.table_hash,
        "outcome": assessment.outcome,
        "findings": assessment.findings,
        "missing": assessment.missing,
        "decision": decision,
        "item_decisions": item_decisions,
        "personal_limits": personal_limits,
        "reason": reason,
    }


def signature_fits(sign_off: SignOff) -> bool:
    """Whether the signature covers exactly what the rows say now."""
    content = signed_content(
        assessment=sign_off.assessment,
        decision=sign_off.decision,
        item_decisions=sign_off.item_decisions,
        personal_limits=sign_off.personal_limits,
        reason=sign_off.reason,
        requests=sign_off.requests,
        records_seen=sign_off.records_seen,
    )
    return sign_off.signature.covers(content_hash(content))


def sign_off_state(
    participant: Participant, at: datetime, current: CurrentProtocol | None = None
) -> SignOffState:
    """Return where the person's newest sign-off stands at the instant `at`.

    `current` is the study's protocol of now where the caller has it.
    """
    with together(_NEWEST, *READ_AT_SCREENING, key=participant.pk):
        sign_off = newest_sign_off(participant)
        if sign_off is None:
            return SignOffState("none", None, "No physician has decided yet.")
        void = _why_void(participant, sign_off, current)
    if void:
        return SignOffState("void", sign_off, void)
    if sign_off.decision == SignOff.Decision.ELIGIBLE and at >= sign_off.valid_until:
        return SignOffState("lapsed", sign_off, "The sign-off is too old and has to be given anew.")
    kind, words = _DECIDED[SignOff.Decision(sign_off.decision)]
    return SignOffState(kind, sign_off, words)


def _why_void(participant: Participant, sign_off: SignOff, current: CurrentProtocol | None) -> str:
    """Return why the sign-off no longer stands for what is on record; "" when it does."""
    if sign_off.newest_assessment != sign_off.assessment_id:  # type: ignore[attr-defined]
        return "Answers, medicines or values changed after the signature."
    sign_off.assessment.participant = participant  # at hand: no need to read it again
    if not signature_fits(sign_off):
        return "What was signed and what is on record are not the same."
    if current_inputs_digest(participant, current) != sign_off.assessment.inputs_digest:
        return "The protocol or the rules changed after the signature."
    return ""


def personal_limits(state: SignOffState) -> PersonalLimits | None:
    """Return the person's own limits while a current eligible sign-off carries some."""
    if not state.eligible or state.sign_off is None or not state.sign_off.personal_limits:
        return None
    return PersonalLimits(**state.sign_off.personal_limits)


def sign_off_history(participant: Participant) -> list[SignOff]:
    """Return every sign-off, newest first, with signature and assessment."""
    return list(
        SignOff.objects.filter(participant=participant)
        .select_related("signature", "assessment__protocol_version", "assessment__participant")
        .order_by("-id")
    )

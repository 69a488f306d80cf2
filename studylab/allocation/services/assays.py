"""Laboratory results after the opening, and what explains those that contradict the list."""

from datetime import datetime

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import Assay, AssayExplained, ListOpening
from studylab.allocation.services.checks import person_of, require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Participant


@service
def assay_record(
    *,
    participant: Participant,
    sample: str,
    taken_at: datetime,
    found: str,
    reference: str,
    actor: Actor,
) -> Assay:
    """Record what a laboratory found in a sample; Refused before the list is open, since it tells the arm."""
    require(actor, Cap.UNBLIND_AGREE)
    require_study(actor, participant.study_id)
    if not ListOpening.objects.filter(
        list__study=participant.study_id, agreed_at__isnull=False
    ).exists():
        raise Refused("A laboratory result tells an arm: it is recorded after the list is open.")
    for field, text in (("sample", sample), ("reference", reference)):
        if not text.strip():
            raise Refused("Fill this in: it belongs to the record.", field=field)
    if found not in Assay.Found.values:
        raise Refused("Choose what was found.", field="found")
    if taken_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="taken_at")
    made = Assay.objects.create(
        participant=participant, sample=sample.strip(), taken_at=taken_at, found=found,
        reference=reference.strip(), recorded_at=clock.now(), by_id=person_of(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ASSAY_RECORDED, subject_type="assay", subject_code=made.uid,
        participant_code=participant.code,
    )  # fmt: skip
    return made


@service
def assay_explain(*, assay: Assay, explanation: str, actor: Actor) -> AssayExplained:
    """Say why a result contradicts the list. Until every one is explained the table of arms is not handed out."""
    require(actor, Cap.UNBLIND_AGREE)
    require_study(actor, assay.participant.study_id)
    if not explanation.strip():
        raise Refused(
            "Say what was found out, and what it means for the data.", field="explanation"
        )
    made = AssayExplained.objects.create(
        assay=assay, explanation=explanation.strip(), at=clock.now(), by_id=person_of(actor)
    )
    audit(
        actor=actor, action=Action.ASSAY_EXPLAINED, subject_type="assay", subject_code=assay.uid,
        participant_code=assay.participant.code, reason=explanation.strip()[:300],
    )  # fmt: skip
    return made

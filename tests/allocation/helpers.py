"""Volunteers ready for a number, written straight into the tables past every service, triggers active."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from screening.models import Assessment, SignOff
from studylab import clock
from studylab.allocation import services
from studylab.allocation.models import AllocationList, Kit, KitBatch, ListEntry
from studylab.participants.models import Consent, Participant, Person
from studylab.people.models import Signature, User
from studylab.people.services.signatures import content_hash
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol
from tests import cast

UNTIL = date(2031, 12, 31)


def volunteer(study: Study, serial: int) -> Participant:
    """Return an active volunteer with nothing on record yet."""
    from studylab.codes import participant_code, prefix_from

    now = clock.now()
    person = Person.objects.create(created_at=now)
    return Participant.objects.create(
        study=study, person=person, code=participant_code(serial, prefix_from(study.code_prefix)), serial=serial,
        status_at=now, added_at=now,
    )  # fmt: skip


def consent(participant: Participant) -> None:
    """Record a written consent of two days ago."""
    now = clock.now()
    Consent.objects.create(
        participant=participant, kind="study", version="1", method="paper",
        signed_at=now - timedelta(days=2), recorded_at=now - timedelta(days=2),
    )  # fmt: skip


def sign_off(participant: Participant, clinician: User, decision: str = "eligible") -> SignOff:
    """Record a clear assessment and a clinician's decision about it, valid for a month."""
    now = clock.now()
    version = participant.study.protocol_versions.order_by("-number").first()
    assessment = Assessment.objects.create(
        participant=participant, gate="screening", outcome="clear", findings=[], missing=[],
        table_version="t", table_hash="0" * 64, protocol_version=version, inputs_digest="0" * 64,
        made_at=now - timedelta(hours=2),
    )  # fmt: skip
    content = {"assessment": assessment.pk}
    signature = Signature.objects.create(
        user=clinician, printed_name=clinician.name, role="clinician", study=participant.study,
        meaning="eligible", subject_type="sign_off", subject_code=participant.code, content=content,
        content_hash=content_hash(content), signed_at=now - timedelta(hours=1),
    )  # fmt: skip
    return SignOff.objects.create(
        participant=participant, assessment=assessment, decision=decision, signature=signature,
        reason="" if decision == "eligible" else "not yet", signed_at=now - timedelta(hours=1),
        valid_until=now + timedelta(days=30),
    )  # fmt: skip


def ready(study: Study, clinician: User, serial: int = 1) -> Participant:
    """Return a volunteer who may get a number."""
    participant = volunteer(study, serial)
    consent(participant)
    sign_off(participant, clinician)
    return participant


def seal(study: Study, pharmacist: User) -> AllocationList:
    """Return the study's list, sealed by the pharmacist; the study is confirmed."""
    return services.list_seal(
        study=study, password=cast.PASSWORD, actor=cast.actor_of(pharmacist, study)
    )


def receive(
    study: Study, pharmacist: User, arm: str, label: str, quantity: int = 10, until: date = UNTIL
) -> KitBatch:
    """Return a batch of kits of one arm in stock, whose identity two pharmacists have checked."""
    batch = services.kits_receive(
        study=study, arm_key=arm, label=label, usable_until=until, storage="dry, locked",
        form=current_protocol(study).plan.supply.form,
        strength_mg=Decimal("40"), units_per_kit=1, quantity=quantity,
        actor=cast.actor_of(pharmacist, study),
    )  # fmt: skip
    return identify(batch, pharmacist)


def identify(batch: KitBatch, pharmacist: User, agrees: bool = True) -> KitBatch:
    """Check a batch with a second pharmacist, straight in the tables."""
    from studylab.allocation.models import BatchCheck

    study = batch.study
    second = cast.second_pharmacist(study)
    signature = Signature.objects.create(
        user=pharmacist, printed_name=pharmacist.name, role="pharmacist", study=study,
        meaning="identity", subject_type="kit_batch", subject_code=str(batch.uid), content={},
        content_hash=content_hash({}), signed_at=clock.now(),
    )  # fmt: skip
    BatchCheck.objects.create(
        batch=batch, agrees=agrees, units=2, how="looked at two", at=clock.now(), by=pharmacist,
        second=second, signature=signature,
    )  # fmt: skip
    return batch


def stock(study: Study, pharmacist: User, quantity: int = 10) -> None:
    """Receive one batch of each arm of the demo document."""
    receive(study, pharmacist, "active", "B-01", quantity)
    receive(study, pharmacist, "placebo", "B-02", quantity)


def issue(participant: Participant, coordinator: User) -> ListEntry:
    """Issue the next number to a ready volunteer."""
    study = participant.study
    return services.entry_issue(
        participant=participant, stratum_values={}, actor=cast.actor_of(coordinator, study)
    )


def prepare(participant: Participant, pharmacist: User) -> Kit:
    """Prepare a kit for the volunteer's number."""
    return services.kit_prepare(
        participant=participant, actor=cast.actor_of(pharmacist, participant.study)
    )


def dispense(participant: Participant, kit: Any, pharmacist: User, second: User) -> Kit:
    """Hand out the prepared kit, checked by `second`."""
    return services.kit_dispense(
        participant=participant, kit_number=getattr(kit, "number", kit), second_email=second.email,
        second_password=cast.PASSWORD, visit_uid=None,
        actor=cast.actor_of(pharmacist, participant.study),
    )  # fmt: skip

"""Opening one person's code in an emergency."""

from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import arm_of
from studylab.allocation.models import ListEntry, Reveal
from studylab.allocation.models.reveals import EMERGENCY_HOLD
from studylab.allocation.services.checks import require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.services.deviations import deviation_found
from studylab.participants.services.holds import hold_open
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write

MEANING = "I open this volunteer's code for the reason given"


@dataclass(frozen=True, slots=True)
class OpenedCode:
    """What the clinician sees. The arm is not part of its repr and is kept nowhere."""

    reveal: Reveal
    arm_name: str = field(repr=False)


@sensitive_variables()
def code_open(
    *,
    participant: Participant,
    kind: str,
    reason: str,
    told: str,
    password: str,
    purpose: str = Reveal.Purpose.TREAT,
    actor: Actor,
) -> OpenedCode:
    """Open the code of one volunteer: the opening is committed first, then the arm is decrypted.

    Any clinician of the study may do it alone, whatever state the volunteer or the study is in. Every call
    is an act of its own. A failed write shows nothing. Wrong passwords slow it down and never lock it. Another `purpose` than this volunteer's treatment is
    not refused, since nobody argues at night, but it is a deviation that says so.
    """
    require(actor, Cap.CODE_OPEN)
    require_study(actor, participant.study_id)
    if kind != Reveal.Kind.EMERGENCY:
        raise Refused("One person's code is opened in a medical emergency only.", field="kind")
    if purpose not in Reveal.Purpose.values:
        raise Refused("Choose what the arm is needed for.", field="purpose")
    for name, text in (("reason", reason), ("told", told)):
        if not text.strip():
            raise Refused("Fill this in: it is written down with the opening.", field=name)
    entry = ListEntry.objects.filter(participant=participant).first()
    if entry is None:
        raise Refused("This volunteer has no allocation number, so there is no code to open.")
    user = check_password(
        actor=actor, password=password, subject_type="code", subject_code=participant.code,
        urgent=True,
    )  # fmt: skip
    # Durable: inside somebody else's transaction the opening could be rolled back after it was read.
    with transaction.atomic(durable=True):
        reveal = reveal_write(
            entry=entry, kind=kind, purpose=purpose, reason=reason.strip(), told=told.strip(),
            user=user, actor=actor,
        )  # fmt: skip
    return OpenedCode(reveal, arm_of(reveal, actor=actor).name)


@service
def reveal_write(
    *,
    entry: ListEntry,
    kind: str,
    reason: str,
    told: str,
    user: User,
    purpose: str = Reveal.Purpose.TREAT,
    at: datetime | None = None,
    actor: Actor,
) -> Reveal:
    """Write one opening with its signature, put it among the deviations and stop dosing. It shows nothing."""
    participant = entry.participant
    assert participant is not None
    content = {
        "participant": participant.code,
        "number": entry.number,
        "kind": kind,
        "purpose": purpose,
        "reason": reason,
        "told": told,
    }
    signature = signature_write(
        actor=actor,
        user=user,
        meaning=MEANING,
        subject_type="code",
        subject_code=participant.code,
        participant_code=participant.code,
        content=content,
    )
    reveal = Reveal.objects.create(
        participant=participant,
        entry=entry,
        kind=kind,
        purpose=purpose,
        reason=reason,
        told=told,
        at=at or clock.now(),
        by=user,
        signature=signature,
    )
    _note(reveal, actor)
    _stop_dosing(participant, actor)
    return reveal


def _note(reveal: Reveal, actor: Actor) -> None:
    """Put the opening on the trail and among the deviations, without its arm."""
    participant, number = reveal.participant, reveal.entry.number
    audit(
        actor=actor,
        action=Action.CODE_OPENED,
        subject_type="code",
        subject_code=participant.code,
        participant_code=participant.code,
        reason=reveal.reason,
        data={
            "kind": reveal.kind,
            "purpose": reveal.purpose,
            "told": reveal.told,
            "number": number,
        },
    )
    deviation_found(
        actor=actor,
        study=participant.study,
        participant=participant,
        kind=Deviation.Kind.CODE,
        what=_what_happened(reveal),
        subject=f"number {number}",
        occurred_at=reveal.at,
    )


def _what_happened(reveal: Reveal) -> str:
    if reveal.kind == Reveal.Kind.CARD:
        return "The paper card with the code was opened."
    if reveal.purpose == Reveal.Purpose.OTHER:
        return (
            "The code was opened for something else than this volunteer's treatment, outside the protocol. "
            "Who knows the arm measures and decides nothing more for this volunteer; say what it means for the data."
        )
    return "The code was opened in an emergency."


def _stop_dosing(participant: Participant, actor: Actor) -> None:
    """Shut the dose gate by a hold, once."""
    if not participant.holds.filter(reason=EMERGENCY_HOLD, released_at=None).exists():
        hold_open(participant=participant, kind=Hold.Kind.OTHER, reason=EMERGENCY_HOLD, actor=actor)

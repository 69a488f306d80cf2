"""Who wants to know their arm, and telling them once the list is open. No arm is written anywhere here."""

from datetime import datetime

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import ArmTelling, ArmWish
from studylab.allocation.models.telling import How
from studylab.allocation.selectors.arm_wishes import (
    ArmToTell,
    arm_to_tell,
    standing_arm_wish,
    standing_telling,
)
from studylab.allocation.selectors.unblinding import opening_state
from studylab.allocation.services.checks import person_of
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.services.checks import lock_participant, said
from studylab.people.models import User
from studylab.people.selectors import people_of_study


@service
def arm_wish_record(
    *, participant: Participant, wants: str, how: str, said_at: datetime, actor: Actor
) -> ArmWish:
    """Record whether the volunteer wants to know afterwards; a later answer follows, the earlier one stays."""
    require(actor, Cap.ARM_TELL)
    participant = lock_participant(participant, actor)
    if wants not in ArmWish.Wants.values:
        raise Refused("Choose one of the answers.", field="wants")
    _check(how, said_at, field="said_at")
    telling = standing_telling(participant)
    if telling is not None and telling.told:
        raise Refused(f"{participant.code} was told already. Look at when and by whom.")
    made = ArmWish.objects.create(
        participant=participant, wants=wants, how=how, said_at=said_at, recorded_at=clock.now(),
        recorded_by_id=person_of(actor), supersedes=standing_arm_wish(participant),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ARM_WISH_RECORDED, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code,
        data={"wants": wants, "how": how, "said_at": said_at.isoformat()},
    )  # fmt: skip
    return made


@sensitive_variables()
@service
def arm_letter_made(*, participant: Participant, actor: Actor) -> ArmToTell:
    """Return what this one person is told, and note that somebody looked it up. Nothing tells the trail which arm."""
    require(actor, Cap.ARM_TELL)
    participant = lock_participant(participant, actor)
    person_of(actor)
    _wants_to_know(participant)
    found = arm_to_tell(participant, actor)
    audit(
        actor=actor, action=Action.ARM_LETTER_MADE, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code,
    )  # fmt: skip
    return found


@service
def telling_record(
    *, participant: Participant, by: User, how: str, at: datetime, reason: str = "", actor: Actor
) -> ArmTelling:
    """Record that the volunteer was told, by whom and when; `reason` where an entry was taken back before."""
    require(actor, Cap.ARM_TELL)
    participant = lock_participant(participant, actor)
    _wants_to_know(participant)
    _check(how, at, field="at")
    opening = opening_state(participant.study).opening
    if opening is None or opening.agreed_at is None:
        raise Refused("The list is not open: nobody can be told yet.")
    if at < opening.agreed_at:
        raise Refused("This is before the list was opened. Check date and time.", field="at")
    if not people_of_study(participant.study).filter(pk=by.pk).exists():
        raise Refused("Choose somebody of this study.", field="by")
    before = standing_telling(participant)
    why = ""
    if before is not None:
        if before.told:
            raise Conflict("It is on record already that they were told.")
        why = said(reason, field="reason", ask="Say why there is a further entry.", most=300)
    made = ArmTelling.objects.create(
        participant=participant, told=True, how=how, at=at, by=by, recorded_at=clock.now(),
        recorded_by_id=person_of(actor), supersedes=before, reason=why,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ARM_TOLD, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code, reason=why,
        data={"by": by.name, "how": how, "at": at.isoformat()},
    )  # fmt: skip
    return made


@service
def telling_take_back(*, participant: Participant, reason: str, actor: Actor) -> ArmTelling:
    """Take back the entry that stands: it was somebody else, or nobody was told. The entry stays."""
    require(actor, Cap.ARM_TELL)
    participant = lock_participant(participant, actor)
    standing = standing_telling(participant)
    if standing is None or not standing.told:
        raise Conflict(f"It is not on record that {participant.code} was told.")
    why = said(reason, field="reason", ask="Say why this is taken back.", most=300)
    made = ArmTelling.objects.create(
        participant=participant, told=False, how=standing.how, at=standing.at, by=standing.by,
        recorded_at=clock.now(), recorded_by_id=person_of(actor), supersedes=standing, reason=why,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ARM_TOLD_TAKEN_BACK, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code, reason=why,
    )  # fmt: skip
    return made


def _wants_to_know(participant: Participant) -> None:
    wish = standing_arm_wish(participant)
    if wish is None or wish.wants != ArmWish.Wants.YES:
        raise Refused(
            f"{participant.code} did not say that they want to know. Ask first, and record the answer."
        )


def _check(how: str, at: datetime, *, field: str) -> None:
    if how not in How.values:
        raise Refused("Choose one of the ways shown.", field="how")
    if at > clock.now():
        raise Refused("This is later than now. Check date and time.", field=field)

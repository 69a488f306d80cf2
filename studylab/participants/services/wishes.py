"""Recording what somebody who left says may happen; a later entry follows, the earlier one stays."""

from dataclasses import asdict, dataclass
from datetime import datetime

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import LeavingWish, Participant
from studylab.participants.selectors.wishes import standing_wish
from studylab.participants.services.checks import lock_participant, said
from studylab.participants.services.links import require_holder


@dataclass(frozen=True, slots=True)
class Wishes:
    """The answers, each a value of `LeavingWish`, how they were given and when."""

    safety_contact: str
    use: str
    contact_again: str
    how: str
    said_at: datetime


@service
def wish_record(
    *, participant: Participant, wishes: Wishes, reason: str = "", actor: Actor
) -> LeavingWish:
    """Record what the volunteer said. A further entry needs the reason; it never replaces the earlier one."""
    require(actor, Cap.WITHDRAW)
    if wishes.how == LeavingWish.How.OWN_PAGE:
        raise Refused("Only the volunteer says something on their own page.", field="how")
    return _record(lock_participant(participant, actor), wishes, reason, actor)


@service
def wish_say_own(
    *, participant: Participant, safety_contact: str, use: str, contact_again: str, actor: Actor
) -> LeavingWish:
    """Record what a volunteer who withdrew says on their own page; said again in the same words it changes nothing."""
    require_holder(actor, participant)
    participant = lock_participant(participant, actor)
    if participant.status != Participant.Status.WITHDRAWN:
        raise Refused("This is asked of who left the study.")
    before = standing_wish(participant)
    answers = (safety_contact, use, contact_again)
    if before is not None and answers == (before.safety_contact, before.use, before.contact_again):
        return before
    wishes = Wishes(*answers, how=LeavingWish.How.OWN_PAGE, said_at=clock.now())
    return _record(participant, wishes, "Said anew on their own page.", actor)


def _record(participant: Participant, wishes: Wishes, reason: str, actor: Actor) -> LeavingWish:
    if participant.is_active:
        raise Refused(f"{participant.code} still takes part. Record the withdrawal first.")
    _check(wishes)
    before = standing_wish(participant)
    why = ""
    if before is not None:
        why = said(reason, field="reason", ask="Say why there is a further entry.", most=300)
    made = LeavingWish.objects.create(
        participant=participant, **asdict(wishes), recorded_at=clock.now(),
        recorded_by_id=actor.user_id, supersedes=before, reason=why,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.WISH_RECORDED, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code,
        study_id=participant.study_id, reason=why,
        data={**asdict(wishes), "said_at": wishes.said_at.isoformat()},
    )  # fmt: skip
    return made


def _check(wishes: Wishes) -> None:
    known = {
        "safety_contact": LeavingWish.Answer, "use": LeavingWish.Use,
        "contact_again": LeavingWish.Answer, "how": LeavingWish.How,
    }  # fmt: skip
    for field, choices in known.items():
        if getattr(wishes, field) not in choices.values:
            raise Refused("Choose one of the answers.", field=field)
    if wishes.said_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="said_at")

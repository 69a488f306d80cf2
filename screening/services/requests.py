"""What a physician asks for, and bringing it."""

from collections.abc import Mapping, Sequence
from typing import Any

from screening.models import RequestAnswer, SignOff
from screening.selectors.requests import WHO
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.services.checks import lock_participant, require_active, said

MOST = 6
LONGEST = 300


def checked_requests(
    given: Sequence[Mapping[str, Any]], decision: str, reason: str
) -> list[dict[str, str]]:
    """Return what is asked for and from whom. "Needs more" without it asks the coordinator for the reason's words.

    Raises Refused for a request that names nobody or goes with another decision.
    """
    kept = []
    for item in given:
        what, who = str(item.get("what") or "").strip(), str(item.get("who") or "")
        if not what:
            continue
        if len(what) > LONGEST:
            raise Refused(f"Shorten what you ask for to {LONGEST} characters.", field="requests")
        if who not in WHO:
            raise Refused(f"Say from whom you need “{what}”.", field="requests")
        kept.append({"what": what, "who": who})
    if kept and decision != SignOff.Decision.NEEDS_MORE:
        raise Refused("Asking for more goes with the decision “needs more”.", field="decision")
    if len(kept) > MOST:
        raise Refused(f"Ask for at most {MOST} things at once.", field="requests")
    if decision == SignOff.Decision.NEEDS_MORE and not kept and reason:
        kept.append({"what": reason[:LONGEST], "who": "coordinator"})
    return kept


@service
def request_answer(*, sign_off: SignOff, index: int, note: str, actor: Actor) -> RequestAnswer:
    """Record what was brought; once everything is there the person is in the physician's queue again."""
    require(actor, Cap.QUESTIONS_RECORD)
    participant = lock_participant(sign_off.participant, actor)
    require_active(participant)
    newest = SignOff.objects.filter(participant=participant).order_by("-id").first()
    if newest is None or newest.pk != sign_off.pk or not 0 <= index < len(sign_off.requests):
        raise Conflict("The physician has decided since, so nobody asks for this any more.")
    answer = RequestAnswer.objects.create(
        sign_off=sign_off,
        index=index,
        note=said(note, field="note", ask="Say what was brought, or why it cannot be had."),
        answered_at=clock.now(),
        answered_by_id=actor.user_id,
    )
    audit(
        actor=actor,
        action=Action.REQUEST_ANSWERED,
        subject_type="sign_off",
        subject_code=sign_off.signature.uid,
        participant_code=participant.code,
        data={"asked": sign_off.requests[index]["what"]},
    )
    return answer

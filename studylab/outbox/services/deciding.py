"""A person decides about a message that did not go out by itself, or of which nobody knows whether it did."""

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.outbox.models import Message
from studylab.outbox.rules.states import NEEDS_PERSON, State
from studylab.participants.services.checks import require_study, said

_TO = {
    Message.Decision.SENT: State.SENT,
    Message.Decision.AGAIN: State.WAITING,
    Message.Decision.LEAVE: State.DROPPED,
}


@service
def message_decide(*, message: Message, decision: str, note: str, actor: Actor) -> Message:
    """Record what becomes of a message that needs a person, and why.

    Sending again is refused once it is of no use any more. Conflict when somebody decided before.
    """
    require(actor, Cap.MESSAGE_DECIDE)
    assert message.study_id is not None, "messages of a study"
    require_study(actor, message.study_id)
    if actor.user_id is None:
        raise NotAllowed("A person decides this, never the house by itself.")
    row: Message = lock(Message, pk=message.pk)
    if row.state not in NEEDS_PERSON:
        raise Conflict("Somebody else has decided this already, or it became clear by itself.")
    if decision not in Message.Decision.values:
        raise Refused("Choose what becomes of the message.", field="decision")
    note = said(note, field="note", ask="Say what you know, for example that you called.", most=300)
    now = clock.now()
    late = row.state == State.TOO_LATE or row.useful_until <= now
    if decision == Message.Decision.AGAIN and late:
        raise Refused(
            "It is too late for this message to be of use. Call the volunteer.", field="decision"
        )
    row.state, row.note = _TO[Message.Decision(decision)], note
    row.decision, row.decided_at, row.decided_by_id = decision, now, actor.user_id
    row.sent_at = now if row.state == State.SENT else None
    row.next_at = now
    row.save()
    code = row.participant.code if row.participant else ""
    audit(
        actor=actor, action=Action.MESSAGE_DECIDED, subject_type="message", subject_code=row.uid,
        participant_code=code, reason=note, data={"decision": decision, "kind": row.kind},
    )  # fmt: skip
    return row

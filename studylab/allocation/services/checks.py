"""What the services of this app ask before they write."""

from studylab.access import Actor
from studylab.db import lock
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Participant
from studylab.participants.services.checks import require_active, require_study
from studylab.studies.selectors import CurrentProtocol

__all__ = ["lock_active", "person_of", "require_confirmed", "require_study"]


def person_of(actor: Actor) -> int:
    """Return the id of the person who acts; the house itself moves no kit and opens no code."""
    if actor.user_id is None:
        raise NotAllowed("A person does this, never the house by itself.")
    return actor.user_id


def lock_active(participant: Participant) -> Participant:
    """Return the volunteer locked for update; Refused when they are no longer on the path."""
    person: Participant = lock(Participant, pk=participant.pk)
    require_active(person)
    return person


def require_confirmed(protocol: CurrentProtocol) -> None:
    """Raise Refused while no clinician has confirmed the protocol version."""
    if not protocol.confirmed:
        raise Refused(
            "No protocol version is confirmed. A clinician confirms its limits on the set-up page first."
        )

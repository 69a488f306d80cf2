"""What every service of this app asks before it writes."""

from studylab.access import Actor, Cap, require
from studylab.db import lock
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Participant


def require_study(actor: Actor, study_id: int) -> None:
    """Raise NotAllowed unless the actor acts in this study: roles of one study reach no other."""
    if not actor.is_system and actor.study_id != study_id:
        raise NotAllowed("You hold no role in this study.")


def lock_participant(participant: Participant, actor: Actor) -> Participant:
    """Return the volunteer's row locked for update; NotAllowed for another study's."""
    require_study(actor, participant.study_id)
    locked: Participant = lock(Participant, pk=participant.pk)
    return locked


def require_ending(actor: Actor, participant: Participant) -> None:
    """Raise NotAllowed unless the actor may end this participation: staff with the capability, or the volunteer."""
    if actor.participant_id != participant.pk:
        require(actor, Cap.WITHDRAW)


def require_active(participant: Participant) -> None:
    """Raise Refused when the volunteer no longer takes part."""
    if not participant.is_active:
        raise Refused(
            f"{participant.code} is recorded as {participant.get_status_display()}, so this is not possible."
        )


def said(text: str, *, field: str, ask: str, most: int = 2000) -> str:
    """Return `text` without surrounding space; Refused at `field` when it is empty or too long."""
    text = text.strip()
    if not text:
        raise Refused(ask, field=field)
    if len(text) > most:
        raise Refused(
            f"This has {len(text)} characters, at most {most} fit. Shorten it.", field=field
        )
    return text

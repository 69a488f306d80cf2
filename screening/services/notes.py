"""Writing down what was told at a contact, and a physician's answer to a note that names a medicine."""

from collections.abc import Sequence
from datetime import datetime

from screening.models import ContactNote, NoteAnswer
from screening.selectors.notes import open_notes
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Hold, Participant
from studylab.participants.services import hold_open
from studylab.participants.services.checks import lock_participant, said

LONGEST_NAME = 200


@service
def note_record(
    *,
    participant: Participant,
    told_by: str,
    text: str,
    at: datetime,
    medicine: str = "",
    actor: Actor,
) -> ContactNote:
    """Record a contact. A medicine named in it is asked about until a physician answers or a list names it.

    `medicine` was told as one that was started, changed or stopped: it is asked about even when no list knows it.
    """
    require(actor, Cap.CONTACT_RECORD)
    participant = lock_participant(participant, actor)
    now = clock.now()
    if told_by not in ContactNote.ToldBy.values:
        raise Refused("Say who told it.", field="told_by")
    if at.utcoffset() is None or at > now:
        raise Refused("This is later than now. Check the time.", field="at")
    medicine = " ".join(medicine.split())
    if len(medicine) > LONGEST_NAME:
        raise Refused(f"At most {LONGEST_NAME} characters.", field="medicine")
    if medicine:
        text = f"Medicine started, changed or stopped: {medicine}. {text}".strip()
    note = ContactNote.objects.create(
        participant=participant, told_by=told_by, at=at, recorded_at=now, medicine=medicine,
        text=said(text, field="text", ask="Write what was told."), recorded_by_id=_person(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.NOTE_RECORDED, subject_type="contact_note", subject_code=note.uid,
        participant_code=participant.code, data={"at": at.isoformat(), "told_by": told_by},
    )  # fmt: skip
    return note


def medicine_told(
    *,
    participant: Participant,
    medicine: str,
    reached: bool,
    where: str,
    at: datetime,
    actor: Actor,
) -> ContactNote | None:
    """Write down a medicine that the volunteer told at a contact of another kind; None when there was none.

    Refused where nobody was `reached`: then it was not the volunteer who told it.
    """
    if not medicine.strip():
        return None
    if not reached:
        raise Refused(
            "Nobody was reached. If somebody else told it, write a contact note.", field="medicine"
        )
    note: ContactNote = note_record(
        participant=participant, told_by=ContactNote.ToldBy.VOLUNTEER, text=where, at=at,
        medicine=medicine, actor=actor,
    )  # fmt: skip
    return note


@service
def note_answer(
    *,
    participant: Participant,
    note: str,
    words: Sequence[str],
    matters: bool,
    reason: str,
    actor: Actor,
) -> NoteAnswer:
    """Record what a physician says about a note that names `words`; what stands in the way puts the person on hold.

    `note` is the key of the note. Conflict when there is nothing to answer any more, or something else.
    """
    require(actor, Cap.SIGN_OFF)
    participant = lock_participant(participant, actor)
    asked = next((one for one in open_notes(participant) if one.note.key == note), None)
    if asked is None or set(asked.words) != set(words):
        raise Conflict("What this note asks has changed meanwhile. Look at it again.")
    answer = NoteAnswer.objects.create(
        participant=participant, note=note, words=list(asked.words), matters=matters,
        reason=said(reason, field="reason", ask="Say why."), answered_at=clock.now(),
        answered_by_id=_person(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.NOTE_ANSWERED, subject_type="note_answer", subject_code=answer.uid,
        participant_code=participant.code, reason=answer.reason,
        data={"note": note, "words": answer.words, "matters": matters},
    )  # fmt: skip
    if matters:
        named = ", ".join(asked.words)
        hold_open(
            participant=participant, kind=Hold.Kind.OTHER, actor=actor,
            reason=f"A note names {named}: {answer.reason}"[:2000],
        )  # fmt: skip
    return answer


def _person(actor: Actor) -> int:
    if actor.user_id is None:
        raise NotAllowed("A person does this, never the house by itself.")
    return actor.user_id

"""Making a copy of what is stored about a person, and its handing over. The trail keeps its hash, never the copy."""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any
from uuid import uuid4

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.services import contact_read
from studylab.participants.services.checks import lock_participant
from studylab.reports.selectors.person_copy import as_bytes, copies_of, copy_of

TO = {
    "self": "to the person",
    "post": "to the person, by post with proof of delivery",
    "named": "to somebody whom the person named in writing",
}
IDENTIFIED = {
    "paper": "official paper with a photograph looked at",
    "known": "known in person to whoever handed it over",
    "answers": "called back on the number on record, and answers compared",
}


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy just made: what stands in it, its file and the hash on the trail."""

    content: dict[str, Any]
    file: bytes
    sha256: str


@service
def copy_make(*, participant: Participant, asked: str, actor: Actor) -> Copy:
    """Make a copy on the person's request; `asked` is how they asked. It is kept nowhere, its hash is."""
    require(actor, Cap.VOLUNTEER_ADD)
    participant = lock_participant(participant, actor)
    if not asked.strip():
        raise Refused("Say how and when the person asked.", field="asked")
    details = contact_read(participant=participant, actor=actor)
    content = copy_of(participant, details, clock.now())
    file = as_bytes(content)
    made = Copy(content, file, sha256(file).hexdigest())
    audit(
        actor=actor, action=Action.COPY_MADE, subject_type="copy", subject_code=uuid4(),
        participant_code=participant.code, reason=asked.strip()[:300],
        data={"sha256": made.sha256, "size": len(file)},
    )  # fmt: skip
    return made


@service
def copy_hand_over(
    *, participant: Participant, copy: str, to: str, identified: str, at: datetime, actor: Actor
) -> Event:
    """Record to whom a copy was handed and how they were identified, without any name."""
    require(actor, Cap.VOLUNTEER_ADD)
    participant = lock_participant(participant, actor)
    made = next((one for one, _ in copies_of(participant) if one.subject_code == copy), None)
    if made is None:
        raise Refused("No such copy of this volunteer was made.", field="copy")
    for field, value, known in (("to", to, TO), ("identified", identified, IDENTIFIED)):
        if value not in known:
            raise Refused("Choose one of these.", field=field)
    if not made.at.replace(second=0, microsecond=0) <= at <= clock.now():
        raise Refused("It was handed over after it was made and not later than now.", field="at")
    return audit(
        actor=actor, action=Action.COPY_HANDED, subject_type="copy", subject_code=copy,
        participant_code=participant.code,
        data={"copy": copy, "sha256": made.data["sha256"], "to": TO[to], "identified": IDENTIFIED[identified],
              "at": at.isoformat()},
    )  # fmt: skip

"""What the services of screening ask before they write."""

from uuid import UUID

from studylab.errors import Refused
from studylab.participants.models import Participant


def check_visit(participant: Participant, visit_uid: UUID | None) -> None:
    """Refuse a visit that is not this person's. Visits live above; their rows are asked, not their code."""
    if visit_uid is not None and not participant.visits.filter(uid=visit_uid).exists():
        raise Refused("This visit is not one of the volunteer's.")

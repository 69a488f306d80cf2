"""Visits as far as screening knows them: that they are this person's."""

from uuid import UUID

from django.http import Http404

from studylab.participants.models import Participant


def access_visit(participant: Participant, visit_uid: UUID) -> int:
    """Return the number of the person's visit, or answer "not found"."""
    number: int | None = (
        participant.visits.filter(uid=visit_uid).values_list("number", flat=True).first()
    )
    if number is None:
        raise Http404("There is no such visit.")
    return number

"""ECGs that no clinician has read yet."""

from django.db.models import QuerySet

from screening.models import Check
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.studies.models import Study


def unread_ecgs(study: Study) -> QuerySet[Check]:
    """Return the ECGs of active volunteers that are recorded and not read, oldest first."""
    return (
        Check.objects.filter(
            STANDS, participant__study=study, participant__status=Participant.Status.ACTIVE,
            kind=Check.Kind.ECG, reading=None,
        )
        .select_related("participant")
        .order_by("taken_at", "id")
    )  # fmt: skip

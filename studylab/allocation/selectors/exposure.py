"""Who is no longer naive about a volunteer, by what they looked at."""

from studylab.allocation.models import Exposure, Reveal
from studylab.participants.models import Participant
from studylab.studies.models import Study


def is_exposed(participant: Participant, user_id: int | None) -> bool:
    """Return whether this person has seen values from after the dose, or more; which of them is not said."""
    if user_id is None:
        return False
    return (
        Exposure.objects.filter(participant=participant, user_id=user_id).exists()
        or Reveal.objects.filter(participant=participant, by_id=user_id).exists()
    )


def exposures_of(study: Study) -> list[Exposure]:
    """Return who first saw values from after whose dose, by volunteer."""
    rows = Exposure.objects.filter(participant__study=study).select_related("participant", "user")
    return list(rows.order_by("participant__code", "at", "id"))

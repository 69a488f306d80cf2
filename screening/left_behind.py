"""What a member of staff who leaves has typed and not recorded."""

from screening.models import VitalDraft
from studylab.people.leaving import Held, counted
from studylab.people.models import User
from studylab.studies.models import Study


def held(study: Study, user: User) -> list[Held]:
    """Return half-typed sets of readings, by count."""
    drafts = VitalDraft.objects.filter(participant__study=study, holder=user).count()
    if not drafts:
        return []
    return [
        Held(
            f"{counted(drafts, 'set')} of readings half typed and not recorded: have them recorded, or let somebody take "
            "them over."
        )
    ]

"""Somebody's first dose is given beside a person who may supervise it."""

from scheduling.models import Dose
from scheduling.selectors.today import clinicians_of
from scheduling.services.running import Work
from studylab.people.models import User


def unsupervised(work: Work, giver_id: int, second: User) -> list[tuple[str, str]]:
    """Return why the two may not give this dose; empty when the giver has given one, or is supervised.

    Whoever has a dose on record was supervised at their first one, so they may supervise; so may a clinician
    of the study. The database asks the same once more.
    """
    given_by = Dose.objects.filter(given_by__in=(giver_id, second.pk)).exists()
    if given_by or second.pk in clinicians_of(work.participant.study, work.now):
        return []
    return [
        (
            "first_dose_unsupervised",
            "This would be your first dose, so it is supervised: the second person is a clinician of the study "
            "or somebody who has given a dose before.",
        )
    ]

"""When a person cannot be here."""

from collections.abc import Collection
from datetime import datetime

from django.db.models import Q

from scheduling.models import Visit
from scheduling.rules.openings import joined
from scheduling.rules.timeline import Interval
from scheduling.selectors.timelines import HOLDING, span
from studylab.participants.selectors.acquaintances import apart_from


def person_busy(
    person_id: int,
    start: datetime,
    end: datetime,
    *,
    ignoring: Collection[int] = (),
    acquainted: bool = True,
) -> tuple[Interval, ...]:
    """Return when a person cannot be here: in visits of whatever study, or kept apart from who is.

    `ignoring` are visits' ids; not `acquainted` says that the person is known to be kept apart from nobody.
    """
    theirs = Q(person_id=person_id)
    if acquainted and (apart := apart_from(person_id)):
        theirs |= Q(participant__in=apart)
    visits = Visit.objects.filter(
        theirs, state__in=HOLDING, planned__overlap=span(start, end)
    ).exclude(pk__in=ignoring)
    return joined(visits.values_list("planned__startswith", "planned__endswith"))

"""Which doses are planned and given, for the apps below."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from scheduling.models import Dose, Visit
from studylab.allocation.due import Due
from studylab.audit.history import STANDS
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

_TO_COME = [Visit.State.BOOKED, Visit.State.RUNNING, Visit.State.DONE]


def doses_due(study: Study, start: datetime, end: datetime) -> Iterator[Due]:
    """Yield the dosing visits whose dose is planned from `start` until before `end`."""
    plan = current_protocol(study).plan.dosing_visit
    ahead = timedelta(minutes=plan.planned_dose_minutes or 0)
    visits = Visit.objects.filter(
        participant__study=study,
        number=plan.number,
        state__in=_TO_COME,
        planned__startswith__gte=start - ahead,
        planned__startswith__lt=end - ahead,
    )
    for visit in visits.select_related("participant"):
        at = visit.planned.lower + ahead
        yield Due(visit.participant.code, visit.participant_id, visit.uid, at)


def doses_given(study: Study) -> list[tuple[int, datetime]]:
    """Return who was dosed and when, earliest dose first; a corrected time counts instead of the first."""
    doses = Dose.objects.filter(STANDS, participant__study=study)
    return list(doses.order_by("given_at", "id").values_list("participant_id", "given_at"))

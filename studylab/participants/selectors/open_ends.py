"""What stands in the way of closing a deviation, and of closing the study."""

from datetime import datetime

from studylab import clock
from studylab.participants.models import AdverseEvent, Deviation
from studylab.participants.selectors.owed import (
    assessments_of,
    owed_reports,
    reports_of_deviation,
)
from studylab.participants.selectors.told import needs_telling, told_missing
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


def deviation_open_ends(deviation: Deviation, at: datetime) -> list[str]:
    """Return what is still open about a deviation that is explained, as sentences."""
    found = []
    if not assessments_of(deviation):
        found.append("Its effect on the person and on the data is not assessed.")
    if needs_telling(deviation) and told_missing(deviation.told.all()):
        found.append("Whether the person was told is not answered.")
    due = reports_of_deviation(deviation, current_protocol(deviation.study).plan.safety, at)
    found += [
        f"The notice to {one.to} is still open: sent and its receipt entered."
        for one in due
        if one.owed
    ]
    return found


def safety_open(study: Study) -> list[str]:
    """Return what of the study's safety is not finished, as sentences."""
    found = [
        f"A report to {one.due.to} about {one.what}{f' of {one.code}' if one.code else ''} is still open."
        for one in owed_reports(study, clock.now())
    ]
    events = AdverseEvent.objects.filter(study=study, state=AdverseEvent.State.OPEN).count()
    if events:
        found.append(f"{events} adverse event{' is' if events == 1 else 's are'} not closed.")
    return found

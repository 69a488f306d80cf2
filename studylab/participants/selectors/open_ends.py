"""What stands in the way of closing a deviation."""

from datetime import datetime

from studylab.participants.models import Deviation
from studylab.participants.selectors.owed import assessments_of, reports_of_deviation
from studylab.participants.selectors.told import needs_telling, told_missing
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

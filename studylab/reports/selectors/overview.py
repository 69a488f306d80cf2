"""What readers of the record see first: how safety stands, in numbers with the pages behind them."""

from dataclasses import dataclass
from datetime import datetime

from scheduling.selectors.today import contacts_due
from screening.selectors.lapsing import lapsing
from studylab.access import Actor, Cap
from studylab.allocation.selectors import reveals_of
from studylab.participants.models import Deviation
from studylab.participants.selectors import deviations_of, open_holds
from studylab.participants.selectors.events import newest_entries
from studylab.participants.selectors.owed import owed_reports
from studylab.participants.selectors.safety import open_pauses
from studylab.participants.selectors.told import people_not_told
from studylab.reports.selectors.links import address
from studylab.reports.selectors.safety import unsealed_for_long
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Figure:
    """One number, what it counts, and the page behind it; `kind` is the shape while it is not nought."""

    number: int
    label: str
    url: str
    kind: str

    @property
    def shape(self) -> str:
        """The shape of its state."""
        return self.kind if self.number else "ok"


def safety_figures(study: Study, actor: Actor, at: datetime) -> list[Figure]:
    """Return holds, contacts, deviations and opened codes in numbers: never a value, never an arm."""
    safety = address("safety", study)
    overdue = sum(row.overdue for row in contacts_due(study, at))
    unclosed = deviations_of(study).exclude(state=Deviation.State.CLOSED).count()
    owed = owed_reports(study, at)
    serious = newest_entries(study).filter(criteria__len__gt=0, in_error=False, event__state="open")
    figures = [
        Figure(open_pauses(study).count(), "dosing paused", safety, "stop"),
        Figure(open_holds(study).count(), "on hold", safety, "stop"),
        Figure(serious.count(), "serious events open", address("events", study), "stop"),
        Figure(sum(one.due.state == "overdue" for one in owed), "reports overdue", safety, "stop"),
        Figure(len(owed), "reports to send or confirm", safety, "warn"),
        Figure(overdue, "contacts overdue", safety, "stop"),
        Figure(len(lapsing(study, at)), "sign-offs running out", safety, "warn"),
        Figure(len(people_not_told(study)), "people not told yet", safety, "warn"),
        Figure(unsealed_for_long(at), "record entries not sealed", safety, "warn"),
        Figure(unclosed, "deviations not closed", address("deviations", study), "warn"),
    ]
    if actor.may(Cap.REVEALS_VIEW):
        opened = len(reveals_of(study))
        figures.append(Figure(opened, "codes opened", address("reveals", study), "info"))
    return figures

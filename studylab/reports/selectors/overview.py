"""What readers of the record see first: how safety stands, in numbers with the pages behind them."""

from dataclasses import dataclass
from datetime import datetime

from scheduling.selectors.today import contacts_due
from studylab.access import Actor, Cap
from studylab.allocation.selectors import reveals_of
from studylab.participants.models import Deviation
from studylab.participants.selectors import deviations_of, open_holds
from studylab.reports.selectors.links import address
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
    figures = [
        Figure(open_holds(study).count(), "on hold", safety, "stop"),
        Figure(overdue, "contacts overdue", safety, "stop"),
        Figure(unclosed, "deviations not closed", address("deviations", study), "warn"),
    ]
    if actor.may(Cap.REVEALS_VIEW):
        opened = len(reveals_of(study))
        figures.append(Figure(opened, "codes opened", address("reveals", study), "info"))
    return figures

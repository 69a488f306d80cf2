"""What readers of the record see first: how safety stands, in numbers with the pages behind them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from scheduling.rules.path import SIGN_OFF
from studylab.access import Actor, Cap
from studylab.allocation.selectors import reveals_of
from studylab.audit.selectors import check_is_due, last_check
from studylab.participants.models import Deviation
from studylab.participants.selectors import deviations_of, open_holds
from studylab.participants.selectors.events import newest_entries
from studylab.participants.selectors.safety import open_pauses
from studylab.reports.selectors.asked import Asked
from studylab.reports.selectors.links import address
from studylab.reports.selectors.path import OnPath
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


def safety_figures(actor: Actor, rows: Sequence[OnPath], asked: Asked) -> list[Figure]:
    """Return holds, contacts, deviations and opened codes in numbers: never a value, never an arm.

    `rows` are the people on the path.
    """
    study, at = asked.study, asked.at
    safety = address("safety", study)
    overdue = sum(row.overdue for row in asked.contacts)
    unclosed = deviations_of(study).exclude(state=Deviation.State.CLOSED).count()
    owed = asked.owed
    serious = newest_entries(study).filter(criteria__len__gt=0, in_error=False, event__state="open")
    figures = [
        Figure(open_pauses(study).count(), "dosing paused", safety, "stop"),
        Figure(open_holds(study).count(), "on hold", safety, "stop"),
        Figure(serious.count(), "serious events open", address("events", study), "stop"),
        Figure(sum(one.due.state == "overdue" for one in owed), "reports overdue", safety, "stop"),
        Figure(len(owed), "reports to send or confirm", safety, "warn"),
        Figure(overdue, "contacts overdue", safety, "stop"),
        Figure(_without_sign_off(rows), "sign-offs lapsed or void", _deciding(study), "stop"),
        Figure(len(asked.lapsing), "sign-offs running out", safety, "warn"),
        Figure(len(asked.not_told), "people not told yet", safety, "warn"),
        Figure(unsealed_for_long(at), "record entries not sealed", safety, "warn"),
        _seals(at, safety),
        Figure(unclosed, "deviations not closed", address("deviations", study), "warn"),
    ]
    if actor.may(Cap.REVEALS_VIEW):
        opened = len(reveals_of(study))
        figures.append(Figure(opened, "codes opened", address("reveals", study), "info"))
    return figures


def _without_sign_off(rows: Sequence[OnPath]) -> int:
    """People signed eligible once whose sign-off no longer counts, while a dose may still come."""
    return sum(row.facts.sign_off in ("lapsed", "void") and not row.facts.dosed for row in rows)


def _deciding(study: Study) -> str:
    return f"{address('people_on_path', study)}?stage={SIGN_OFF}"


def _seals(at: datetime, page: str) -> Figure:
    """Whether the seals of the record were checked within a day, and fitted."""
    last = last_check()
    if last is not None and not last.intact:
        return Figure(1, "seal of the record broken", page, "stop")
    return Figure(int(check_is_due(at)), "check of the record's seals due", page, "warn")

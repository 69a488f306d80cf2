"""Who is due for a dose: asked by the dispensary, answered by the app that books visits."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Due:
    """One booked dosing visit of a volunteer; `at` is when the dose is planned."""

    code: str
    participant_id: int
    visit_uid: UUID
    at: datetime


_ask: list[Callable[[Study, datetime, datetime], Iterable[Due]]] = []


def register_due(ask: Callable[[Study, datetime, datetime], Iterable[Due]]) -> None:
    """Let the dispensary ask `ask(study, start, end)`; called once, when the site starts."""
    _ask.append(ask)


def due_between(study: Study, start: datetime, end: datetime) -> list[Due]:
    """Return the dosing visits planned from `start` until before `end`, the earliest first."""
    found = [due for ask in _ask for due in ask(study, start, end)]
    return sorted(found, key=lambda due: (due.at, due.code))

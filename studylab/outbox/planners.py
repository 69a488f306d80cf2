"""What is due by itself. Each app says for a study which messages there should be; the outbox asks every ten minutes.

A planner may name the same message again and again: its key lets it in once.
"""

from collections.abc import Callable, Iterable
from datetime import datetime

from studylab.outbox.kinds import Planned
from studylab.studies.models import Study

Planner = Callable[[Study, datetime], Iterable[Planned]]
_planners: dict[str, Planner] = {}


def register_planner(name: str, planner: Planner) -> None:
    """Register what says which messages of a study are to come; called in `AppConfig.ready`."""
    _planners[name] = planner


def planned_messages(study: Study, now: datetime) -> list[Planned]:
    """Return what every app wants to be said in a study."""
    return [message for planner in _planners.values() for message in planner(study, now)]

"""Where the apps above say who was dosed and when.

This app cannot read their tables, yet stopping rules count people in the order of their doses. The app that
records doses registers its reader once, in `AppConfig.ready`.
"""

from collections.abc import Callable, Sequence
from datetime import datetime

from studylab.studies.models import Study

Reader = Callable[[Study], Sequence[tuple[int, datetime]]]
_readers: list[Reader] = []


def register_doses(reader: Reader) -> None:
    """Register what returns (id of the participant, when dosed) for a study, earliest dose first."""
    _readers[:] = [reader]


def doses_of(study: Study) -> dict[int, datetime]:
    """Return when each participant was dosed, in the order of the doses."""
    return {person: at for reader in _readers for person, at in reader(study)}

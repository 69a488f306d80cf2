"""Whether a study is ready to begin: each app says of its own part what exists and what is missing.

Each app registers its checks once, in `AppConfig.ready`. Nothing is stored: every look asks anew.
"""

import logging
from collections.abc import Callable, Iterable
from datetime import datetime

from django.db import transaction

from studylab.access import Cap
from studylab.studies.models import Study
from studylab.studies.rules.readiness import Before, Ready, Stands

log = logging.getLogger(__name__)
Check = Callable[[Study, datetime], Iterable[Ready]]
_registered: dict[str, tuple[Check, bool]] = {}


def register_readiness(key: str, check: Check, *, front: bool = False) -> None:
    """Register a check; the same key again replaces it. Call it in `AppConfig.ready()`.

    `check` takes the study and the time and yields its lines; it reads, never writes. With `front` its missing
    lines stand on the front pages of whoever can bring them, for as long as the study lives: keep it cheap.
    """
    _registered[key] = (check, front)


def ready_lines(
    study: Study, at: datetime, *, front: bool = False, only: Iterable[str] = ()
) -> list[Ready]:
    """Return the lines of every check, of those for front pages alone, or of those named."""
    wanted = set(only)
    return [
        line
        for key, (check, is_front) in _registered.items()
        if (not wanted or key in wanted) and (is_front or not front)
        for line in _looked_at(key, check, study, at)
    ]


def _looked_at(key: str, check: Check, study: Study, at: datetime) -> list[Ready]:
    """Look; what cannot be looked at is missing, never left out."""
    try:
        with transaction.atomic():
            return list(check(study, at))
    except Exception:
        log.exception("The readiness of %r could not be looked at.", key)
        text = "This could not be looked at. The program's log says why."
        broken = Ready(
            key, key.capitalize(), Before.VOLUNTEER, Stands.MISSING, text, Cap.SETUP_EDIT, "set_up"
        )  # fmt: skip
        return [broken]

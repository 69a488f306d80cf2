"""When a person cannot be here."""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from django.db import connection

from scheduling.rules.openings import joined
from scheduling.rules.timeline import Interval
from scheduling.selectors.timelines import HOLDING, span
from studylab.participants.selectors.acquaintances import apart_from


def person_busy(
    person_id: int,
    start: datetime,
    end: datetime,
    *,
    ignoring: Collection[int] = (),
    acquainted: bool = True,
) -> tuple[Interval, ...]:
    """Return when a person cannot be here: in visits of whatever study, or kept apart from who is.

    `ignoring` are visits' ids; not `acquainted` says that the person is known to be kept apart from nobody.
    """
    apart = list(apart_from(person_id)) if acquainted else []
    values: list[Any] = [person_id, apart, list(HOLDING), span(start, end), list(ignoring)]
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT lower(planned), upper(planned) FROM scheduling_visit
            WHERE (person_id = %s OR participant_id = ANY(%s)) AND state = ANY(%s) AND planned && %s
              AND NOT id = ANY(%s)
            """,
            values,
        )
        return joined(cursor.fetchall())

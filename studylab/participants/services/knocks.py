"""Counting tries, so that nobody tries for ever. Housekeeping of requests, not part of the study's record."""

import hmac
from datetime import UTC, datetime, timedelta

from django.db import connection

from studylab import clock
from studylab.participants.selectors.links import link_key

STRETCH = timedelta(minutes=10)
_KEPT = timedelta(days=1)


def too_often(what: str, who: str, *, at_most: int) -> bool:
    """Count one try of `what` by `who` (an address, a link) and say whether there were more than `at_most`.

    Tries are counted per stretch of ten minutes. `who` is kept as a keyed digest only.
    """
    now = clock.now()
    bucket = hmac.new(link_key(), f"knock\n{what}\n{who}".encode(), "sha256").hexdigest()
    begins = datetime.fromtimestamp(
        now.timestamp() // STRETCH.total_seconds() * STRETCH.total_seconds(), UTC
    )
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO participants_knock (bucket, begins_at, count) VALUES (%s, %s, 1)"
            " ON CONFLICT (bucket, begins_at) DO UPDATE SET count = participants_knock.count + 1"
            " RETURNING count",
            [bucket, begins],
        )
        count: int = cursor.fetchone()[0]
        if count == 1:
            cursor.execute("DELETE FROM participants_knock WHERE begins_at < %s", [begins - _KEPT])
    return count > at_most

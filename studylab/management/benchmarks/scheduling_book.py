"""How many complete series are booked in a second from sixteen connections, against inserts of the same rows.

Works in a database of its own beside the present one, which is dropped again: bookings from many connections
cannot be taken back together. A handful is booked in the present database and taken back instead.
"""

import json
from typing import Any

from studylab.management.benchmarks import Line, Measured, benchmark, rolled_back
from studylab.management.benchmarks.booking_crowd import measure
from studylab.management.benchmarks.own_database import in_own_database
from studylab.studies.models import Study

CONNECTIONS = 16
REFERENCE = "plain SQL inserts of the same rows"
UNIT = "complete series per second, 16 connections"


@benchmark("scheduling.book", unit=UNIT, reference=REFERENCE, size=48, tiny=2)
def book_speed(size: int) -> Measured:
    """Book `size` series of different volunteers at once, look for double bookings, then insert the same rows."""
    if size < CONNECTIONS and not Study.objects.exists():
        with rolled_back():
            found = measure(size, 1)
    else:
        found = _apart(size)
    ours, plain = found["ours"], found["plain"]
    rows = Line(
        "scheduling.book.double", found["double"], "places booked twice", "none allowed", 1.0
    )
    return Measured(size / ours, plain / ours, (rows,))


def _apart(size: int) -> dict[str, Any]:
    """Measure in a process and a database of its own."""
    with in_own_database() as database:
        printed = database.run("studylab.management.benchmarks.booking_crowd", str(size))
    found: dict[str, Any] = json.loads(printed)
    return found

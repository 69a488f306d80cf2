"""What `scheduling.book` measures: a crowd of volunteers whose series are booked at once, then inserted plainly.

`python -m studylab.management.benchmarks.booking_crowd SIZE` prints the figures as JSON; it fills the database it
is given, so that should be an empty one.
"""

import contextvars
import json
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from threading import Barrier
from time import perf_counter
from typing import Any

import django
from django.db import connection, connections

Rows = dict[str, tuple[list[str], list[tuple[Any, ...]]]]  # table -> columns, rows


def measure(size: int, connections_used: int) -> dict[str, float]:
    """Return seconds for booking and for inserting `size` series, and how many places were booked twice."""
    import pgtrigger

    from scheduling.models import Series
    from scheduling.services.booking import series_book
    from studylab import clock
    from studylab.audit.models import Event

    begin = datetime(2027, 1, 4, 16, tzinfo=UTC)
    lab, chosen = _crowd(size, begin)
    with clock.travel(begin):
        actor = lab.actor("coordinator")
        before = Event.objects.order_by("-id").values_list("id", flat=True).first() or 0
        ours = _at_once(
            [_booking(series_book, who, option, actor) for who, option in chosen], connections_used
        )
    made = list(Series.objects.order_by("id"))
    if len(made) != size:
        raise AssertionError(f"{len(made)} of {size} series were booked.")
    double = _booked_twice()
    copies = [_rows_of(series, before) for series in made]
    with pgtrigger.ignore():
        for table in (
            "outbox_message",
            "scheduling_booking",
            "scheduling_visit",
            "scheduling_series",
        ):
            with connection.cursor() as cursor:
                cursor.execute(f"DELETE FROM {table}")  # noqa: S608 (our own names)
        Event.objects.filter(id__gt=before).delete()
    plain = _at_once([_insert(rows) for rows in copies], connections_used)
    return {"ours": ours, "plain": plain, "double": double}


def _crowd(size: int, begin: datetime) -> tuple[Any, list[tuple[Any, Any]]]:
    """Return the invented lab, and volunteers with a series each that share no place."""
    from scheduling.models import PlanRun
    from scheduling.rules.plan_board import first_fit
    from scheduling.rules.plan_build import to_option
    from scheduling.selectors.plan_input import plan_input
    from studylab import clock
    from studylab.management.demo.lab import build_lab
    from studylab.management.demo.walker import Walker
    from studylab.studies.selectors import current_protocol

    lab = build_lab(begin - timedelta(days=9))
    for number in range(size):
        moment = begin - timedelta(days=5, minutes=number)
        Walker(lab, number, moment).screened(moment + timedelta(hours=1))
    with clock.travel(begin):
        run = PlanRun(
            study=lab.study,
            protocol_version=current_protocol(lab.study).version,
            first_day=begin.date() + timedelta(days=1),
            last_day=begin.date() + timedelta(days=20),
        )
        given = plan_input(run, begin)
        placed = first_fit(given.problem, range(size))
    if len(placed) < size:
        raise AssertionError(f"The lab has room for {len(placed)} of {size} only.")
    return lab, [
        (given.rows[row.person][0], to_option(given.plan, given.problem, row)) for row in placed
    ]


def _booking(book: Any, who: Any, option: Any, actor: Any) -> Callable[[], None]:
    return lambda: book(participant=who, option=option, actor=actor)


def _at_once(tasks: Sequence[Callable[[], None]], at_once: int) -> float:
    """Run all tasks over so many connections and return how long that took."""
    if at_once == 1:
        began = perf_counter()
        for task in tasks:
            task()
        return perf_counter() - began

    with ThreadPoolExecutor(at_once) as pool:
        _on_each(pool, at_once, connection.ensure_connection)
        began = perf_counter()
        jobs = [pool.submit(contextvars.copy_context().run, task) for task in tasks]
        for job in jobs:
            job.result()
        took = perf_counter() - began
        _on_each(pool, at_once, connections.close_all)
    return took


def _on_each(pool: ThreadPoolExecutor, at_once: int, act: Callable[[], object]) -> None:
    """Act once on each thread: each waits until all have begun, so that a quick one does not act for another."""
    gate = Barrier(at_once)

    def met(_turn: int) -> None:
        gate.wait(60)
        act()

    list(pool.map(met, range(at_once)))


def _booked_twice() -> int:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM scheduling_booking a JOIN scheduling_booking b"
            " ON a.place_id = b.place_id AND a.id < b.id AND a.blocked && b.blocked"
            " WHERE a.is_active AND b.is_active"
        )
        return int(cursor.fetchone()[0])


def _rows_of(series: Any, after: int) -> Rows:
    """Return every row that a booking wrote."""
    questions = {
        "scheduling_series": ("id = %s", [series.pk]),
        "scheduling_visit": ("series_id = %s", [series.pk]),
        "scheduling_booking": (
            "visit_id IN (SELECT id FROM scheduling_visit WHERE series_id = %s)",
            [series.pk],
        ),
        "outbox_message": (
            "about IN (SELECT 'visit:' || id FROM scheduling_visit WHERE series_id = %s)",
            [series.pk],
        ),
        "audit_event": ("id > %s AND subject_code = %s", [after, str(series.uid)]),
    }
    found: Rows = {}
    with connection.cursor() as cursor:
        for table, (where, values) in questions.items():
            columns = _columns(cursor, table)
            asked = f"SELECT {', '.join(columns)} FROM {table} WHERE {where} ORDER BY id"  # noqa: S608
            cursor.execute(asked, values)
            found[table] = columns, cursor.fetchall()
    return found


def _columns(cursor: Any, table: str) -> list[str]:
    cursor.execute(f"SELECT * FROM {table} LIMIT 0")  # noqa: S608
    return [f'"{column.name}"' for column in cursor.description]


def _insert(rows: Rows) -> Callable[[], None]:
    from django.db import transaction

    def run() -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            for table, (columns, lines) in rows.items():
                blanks = ", ".join(["%s"] * len(columns))
                every = ", ".join([f"({blanks})"] * len(lines))
                values = [_plain(value) for line in lines for value in line]
                names = ", ".join(columns)
                cursor.execute(
                    f"INSERT INTO {table} ({names}) OVERRIDING SYSTEM VALUE VALUES {every}",  # noqa: S608
                    values,
                )

    return run


def _plain(value: Any) -> Any:
    from psycopg.types.json import Jsonb

    return Jsonb(value) if isinstance(value, dict) else value


if __name__ == "__main__":
    django.setup()
    print(json.dumps(measure(int(sys.argv[1]), 16)))
